"""How the project is cut: who may know whom, and how large a part may grow."""

import ast
import os
import subprocess
import sys
import tomllib
import urllib.request
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import daemon
import drivers
import tools
from tests.whole_material import (
    CHECKOUT,
    COMMAND,
    environment,
    free_port,
    mains,
    until,
    wav_driver,
    write_config,
    write_wav,
)

PACKAGES = ("config", "daemon", "drivers", "tools")
TOP_LEVEL = {
    "README.md", "DEVELOPERS.md", "pyproject.toml",
    "config", "daemon", "drivers", "systemd", "tests", "tools",
}  # fmt: skip
GENERATED = {"build", "dist", "halfcycle.egg-info", "__pycache__"}
VAGUE_NAMES = {"helper", "helpers", "util", "utils", "manager", "managers", "common", "misc"}
MAX_LINES = 400
TOO_HEAVY = ("scipy", "matplotlib")  # seconds and 100 MB on a Raspberry Pi

ALLOWED = {
    "drivers": {"drivers"},
    "daemon": {"daemon", "drivers"},
    "tools": {"tools", "daemon", "drivers"},
    "config": set(),
}
"""Which package may import which: tools -> daemon -> drivers."""

MEASURING = "daemon.measure"
DETECTING = (
    "daemon.evidence", "daemon.excursions", "daemon.fine_timing", "daemon.flagging",
    "daemon.levels", "daemon.neutral_earth", "daemon.numbering", "daemon.one_channel",
    "daemon.plan", "daemon.rapid_change", "daemon.rapid_events", "daemon.slow_events",
    "daemon.standing", "daemon.three_phase", "daemon.thresholds", "daemon.transient_events",
    "daemon.transient_shape", "daemon.transients", "daemon.voltage_events",
)  # fmt: skip
FORBIDDEN = {
    **dict.fromkeys(
        (*DETECTING, "daemon.pipeline"),
        ("daemon.ring", "daemon.store", "daemon.schema", "daemon.archive", "daemon.page",
         "daemon.app", "daemon.acquisition", "daemon.sampler", "daemon.settings", "daemon.judge"),
    ),
    "daemon.page": ("daemon.store", "daemon.app", "daemon.pipeline", "daemon.measure",
                    "daemon.acquisition", "daemon.sampler", "daemon.ring", "daemon.runtime"),
    "daemon.store": ("daemon.pipeline", "daemon.measure", "daemon.page", "daemon.ring",
                     "daemon.settings", "drivers"),
    "daemon.archive": ("daemon.store", "daemon.pipeline", "daemon.page", "drivers"),
    "daemon.sampler": ("daemon.pipeline", "daemon.measure", "daemon.store", "daemon.settings",
                       "daemon.page", "daemon.app"),
    "daemon.acquisition": ("daemon.pipeline", "daemon.measure", "daemon.store", "daemon.page"),
    # What is said of an event knows the event alone, not where it came from or where it goes.
    **dict.fromkeys(
        ("daemon.cause", "daemon.cause_shape", "daemon.uncertainty", "daemon.resolution",
         "daemon.indices", "daemon.fixed_times", "daemon.staircase", "daemon.spans"),
        ("daemon.pipeline", "daemon.store", "daemon.schema", "daemon.archive", "daemon.page",
         "daemon.ring", "daemon.settings", "daemon.app", "drivers"),
    ),
    # What is read out of a database knows no writer and no measurement under way.
    **dict.fromkeys(
        ("daemon.groups", "daemon.together", "daemon.recurrence", "daemon.sag_figures",
         "daemon.accuracy_words", "daemon.margin_words", "daemon.labels"),
        ("daemon.pipeline", "daemon.store", "daemon.ring", "daemon.settings", "daemon.app",
         "daemon.acquisition", "daemon.sampler", "drivers"),
    ),
    "daemon.judge": ("daemon.pipeline", "daemon.measure", "daemon.store", "daemon.page",
                     "daemon.settings", "drivers"),
}  # fmt: skip
"""What a module, or a package with all that is in it, must not know."""

WIRED = {"daemon.acquisition", "daemon.pipeline", "daemon.store"}
WIRING = "daemon.app"


def module_name(path: Path) -> str:
    parts = path.relative_to(CHECKOUT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {
    module_name(path): path
    for package in PACKAGES
    for path in sorted((CHECKOUT / package).rglob("*.py"))
}


@cache
def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def statements(node: ast.AST, *, is_inside: bool = False) -> Iterator[tuple[ast.AST, bool]]:
    """Every statement below, and whether it stands in a function or class."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.expr):  # holds no statement
            continue
        yield child, is_inside
        is_cover = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef)
        yield from statements(child, is_inside=is_inside or is_cover)


def imports_of(path: Path) -> set[str]:
    """Everything a file imports, inside functions too; `from a import b` counts as a and as a.b."""
    found: set[str] = set()
    for node, _ in statements(tree_of(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: relative import"
            assert node.module is not None
            found.add(node.module)
            found |= {
                f"{node.module}.{alias.name}"
                for alias in node.names
                if f"{node.module}.{alias.name}" in MODULES
            }
    return found


@cache
def graph() -> dict[str, set[str]]:
    """What each module imports; read when first asked for, not while tests are collected."""
    return {name: imports_of(path) for name, path in MODULES.items()}


def lies_in(name: str, package: str) -> bool:
    return name == package or name.startswith(f"{package}.")


@pytest.mark.parametrize("name", MODULES)
def test_imports_point_one_way(name: str) -> None:
    own = name.partition(".")[0]
    first_names = {imported.partition(".")[0] for imported in graph()[name]}
    assert first_names & {*PACKAGES, "tests"} <= ALLOWED[own]


@pytest.mark.parametrize("name", MODULES)
def test_imports_stand_at_the_top(name: str) -> None:
    inside = [
        node.lineno
        for node, is_inside in statements(tree_of(MODULES[name]))
        if is_inside and isinstance(node, ast.Import | ast.ImportFrom)
    ]
    assert inside == []


def test_an_import_that_stands_inside_is_seen() -> None:
    """The walk above can find something: in functions, classes, and below `if` and `with`."""
    lines = ["import a", "if a:", "    import b", "class C:", "    def d(self):", "        with a:",
             "            import e"]  # fmt: skip
    found = [
        (node.lineno, is_inside)
        for node, is_inside in statements(ast.parse("\n".join(lines)))
        if isinstance(node, ast.Import)
    ]
    assert found == [(1, False), (3, False), (7, True)]


@pytest.mark.parametrize("name", [name for name in MODULES if lies_in(name, MEASURING)])
def test_measuring_knows_numbers_only(name: str) -> None:
    outside = {
        imported
        for imported in graph()[name]
        if imported.partition(".")[0] not in sys.stdlib_module_names
        and not lies_in(imported, "numpy")
    }
    assert all(lies_in(one, MEASURING) or one == "daemon.records" for one in outside), outside
    assert not graph()[name] & {"os", "sqlite3", "time", "socket", "subprocess", "pathlib"}


@pytest.mark.parametrize(("knower", "unknown"), FORBIDDEN.items(), ids=FORBIDDEN)
def test_what_a_part_must_not_know(knower: str, unknown: tuple[str, ...]) -> None:
    parts = [name for name in MODULES if lies_in(name, knower)]
    assert parts, f"{knower} is gone: this table is out of date"
    for name in parts:
        wrong = {one for one in graph()[name] for package in unknown if lies_in(one, package)}
        assert not wrong, name


def test_one_module_alone_wires() -> None:
    assert [name for name, known in graph().items() if known >= WIRED] == [WIRING]
    knows_two = [
        name for name, known in graph().items() if len(WIRED & known) > 1 and name != WIRING
    ]
    assert knows_two == []


def test_nobody_imports_in_a_circle() -> None:
    """Takes away, again and again, what imports nothing that is left; a circle stays."""
    left = {name: {one for one in known if one in MODULES} for name, known in graph().items()}
    while ready := [name for name, known in left.items() if not known & left.keys()]:
        for name in ready:
            del left[name]
    assert not left


@pytest.mark.parametrize("name", MODULES)
def test_no_module_grows_beyond_its_wall(name: str) -> None:
    n_lines = len(MODULES[name].read_text(encoding="utf-8").splitlines())
    assert n_lines <= MAX_LINES


def test_no_module_has_a_vague_name() -> None:
    paths = [*MODULES.values(), *(CHECKOUT / "tests").rglob("*.py")]
    assert [path for path in paths if set(path.stem.split("_")) & VAGUE_NAMES] == []


def test_every_folder_explains_itself() -> None:
    folders = [CHECKOUT, *(CHECKOUT / name for name in TOP_LEVEL if (CHECKOUT / name).is_dir())]
    folders += [path.parent for path in MODULES.values() if path.name == "__init__.py"]
    folders += [CHECKOUT / "config" / "profiles", CHECKOUT / "config" / "scenarios"]
    for folder in folders:
        text = (folder / "README.md").read_text(encoding="utf-8")
        assert text.startswith("# "), folder


def test_nothing_else_lies_at_the_top() -> None:
    names = {entry.name for entry in CHECKOUT.iterdir() if not entry.name.startswith(".")}
    assert names - GENERATED <= TOP_LEVEL


def test_every_package_is_listed_for_installation() -> None:
    with (CHECKOUT / "pyproject.toml").open("rb") as file:
        listed = tomllib.load(file)["tool"]["setuptools"]["packages"]
    there = [name for name, path in MODULES.items() if path.name == "__init__.py"]
    assert sorted(listed) == sorted(there)


@pytest.mark.parametrize("package", [daemon, drivers, tools])
def test_the_packages_tested_are_those_of_this_project(package: object) -> None:
    """`daemon` is also the name of a package on the public index; that one must not be found."""
    file = getattr(package, "__file__", None)
    assert file is not None
    assert Path(file).is_relative_to(CHECKOUT)


def test_no_process_of_the_monitor_loads_a_heavy_library(tmp_path: Path) -> None:
    """PYTHONPROFILEIMPORTTIME, which children inherit, names each module on standard error."""
    write_wav(tmp_path / "a.wav", mains(60.0))
    port = free_port()
    page = {"port": port}
    config = write_config(tmp_path, wav_driver(pace="realtime", start_utc=None), page=page)
    log = tmp_path / "imports.txt"
    with log.open("w") as errors:
        process = subprocess.Popen(
            [*COMMAND, "monitor", "-c", str(config)],
            stderr=errors,
            stdin=subprocess.DEVNULL,
            env={**environment(), "PYTHONPROFILEIMPORTTIME": "1"},
        )
        try:
            until(lambda: _answers(port) or process.poll() is not None)
            process.terminate()
            assert process.wait(10) == 0
        finally:
            process.kill()
            process.wait()
    imported = {line.rpartition("|")[2].strip() for line in log.read_text().splitlines()}
    assert {"daemon.pipeline", "daemon.store", "daemon.ring", "uvicorn", "soundfile"} <= imported
    assert [name for name in imported if name.partition(".")[0] in TOO_HEAVY] == []


def _answers(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/status", timeout=1) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False


def test_the_program_never_depends_on_where_it_is_started(tmp_path: Path) -> None:
    """A folder named `daemon` beside the user must not be taken for ours."""
    (tmp_path / "daemon").mkdir()
    (tmp_path / "daemon" / "__init__.py").write_text("raise SystemExit('the wrong one')\n")
    write_wav(tmp_path / "a.wav", mains(1.0))
    config = write_config(tmp_path, wav_driver())
    script = Path(sys.executable).with_name("halfcycle")
    done = subprocess.run(
        [script, "monitor", "-c", config, "--no-page"],
        cwd=tmp_path,
        env={name: value for name, value in os.environ.items() if name != "PYTHONPATH"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
