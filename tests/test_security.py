"""What the security page (daemon/page/README.md) promises, and no other test holds."""

import ast
import hmac
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.page import guard
from tests.page_material import plausible_snapshot, write_database
from tests.test_page import ROUTES, Place

CHECKOUT = Path(__file__).resolve().parent.parent
NEVER_CALLED = {"eval", "exec", "compile", "__import__", "system", "popen", "unsafe_load",
                "full_load", "yaml.load_all"}  # fmt: skip
NEVER_IMPORTED = {"pickle", "marshal", "shelve", "dill", "telnetlib", "ftplib"}


def sources() -> Iterator[tuple[Path, ast.Module]]:
    for folder in ("daemon", "drivers", "tools"):
        for path in sorted((CHECKOUT / folder).rglob("*.py")):
            yield path, ast.parse(path.read_text(encoding="utf-8"))


def name_of(call: ast.expr) -> str:
    if isinstance(call, ast.Attribute) and isinstance(call.value, ast.Name):
        return f"{call.value.id}.{call.attr}"
    return call.id if isinstance(call, ast.Name) else getattr(call, "attr", "")


def dangers(tree: ast.AST) -> list[str]:
    """Calls that run text as a program, and formats that do when they are read."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [alias.name for alias in node.names]
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            found += [name for name in names if name.partition(".")[0] in NEVER_IMPORTED]
        if isinstance(node, ast.Call):
            name = name_of(node.func)
            is_bare = isinstance(node.func, ast.Name) and name in NEVER_CALLED
            is_of_os = name in {"os.system", "os.popen", "yaml.unsafe_load", "yaml.full_load"}
            found += [name] if is_bare or is_of_os else []
            for keyword in node.keywords:
                if keyword.arg in {"shell", "allow_pickle"}:
                    found.append(f"{name}({keyword.arg})")
                if name == "yaml.load" and keyword.arg == "Loader":
                    found += [] if name_of(keyword.value) == "_Loader" else [name]
            found += ["yaml.load"] if name == "yaml.load" and len(node.args) > 1 else []
    return found


def test_no_text_is_ever_run_as_a_program() -> None:
    """Two YAML loaders are made from SafeLoader, and nothing else reads YAML unsafely."""
    for path, tree in sources():
        assert dangers(tree) == [], path
        for node in ast.walk(tree):
            if isinstance(node, ast.ClassDef) and node.name == "_Loader":
                assert [name_of(base) for base in node.bases] == ["yaml.SafeLoader"], path


def test_the_search_finds_what_it_looks_for() -> None:
    text = "import pickle\neval(x)\nrun(x, shell=True)\nyaml.load(x, Loader=yaml.Loader)\n"
    assert sorted(dangers(ast.parse(text))) == ["eval", "pickle", "run(shell)", "yaml.load"]


@pytest.fixture
def place(tmp_path: Path) -> Place:
    found = Place(tmp_path)
    found.show(plausible_snapshot())
    write_database(found.database_path)
    return found


def test_the_token_is_compared_in_constant_time(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By hmac.compare_digest alone: where that says yes, a wrong token opens, and the reverse."""
    place.config = replace(place.config, token="sesame")
    asked: list[tuple[bytes, bytes]] = []

    class Comparer:
        @staticmethod
        def compare_digest(given: bytes, wanted: bytes) -> bool:
            asked.append((given, wanted))
            return not hmac.compare_digest(given, wanted)

    monkeypatch.setattr(guard, "hmac", Comparer)
    assert place.ask("/healthz", headers={"authorization": "Bearer wrong"}).status_code == 200
    assert place.ask("/healthz", headers={"authorization": "Bearer sesame"}).status_code == 401
    assert asked == [(b"wrong", b"sesame"), (b"sesame", b"sesame")]


def test_a_request_opens_only_the_database_and_never_for_writing(
    place: Place, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever the address holds: the path comes from the command line of the page."""
    opened: list[str] = []
    connect = sqlite3.connect

    def noted(database: str, *words: object, **named: object) -> sqlite3.Connection:
        opened.append(database)
        return connect(database, *words, **named)  # type: ignore[call-overload, no-any-return]

    monkeypatch.setattr(sqlite3, "connect", noted)
    for path in (*ROUTES, "/event/1?db=/etc/passwd", "/%2e%2e/%2e%2e/etc/passwd", "//etc/passwd"):
        place.ask(path)
    uri = place.database_path.resolve().as_uri()
    assert opened
    assert {name.removesuffix("&immutable=1") for name in opened} == {f"{uri}?mode=ro"}


@pytest.mark.parametrize("unit", ["halfcycle.service", "halfcycle-page.service"])
def test_the_units_have_no_privileges(unit: str) -> None:
    """systemd.exec(5): no capability, none to be had, the system read-only, a user of its own."""
    lines = (CHECKOUT / "systemd" / unit).read_text(encoding="utf-8").splitlines()
    wanted = {"NoNewPrivileges=yes", "CapabilityBoundingSet=", "ProtectSystem=strict",
              "ProtectHome=yes", "DevicePolicy=closed", "RestrictSUIDSGID=yes"}  # fmt: skip
    assert wanted <= set(lines)
    assert not {"User=root", "User=0"} & set(lines)
    assert any(line.startswith("User=halfcycle") for line in lines)


def test_the_page_may_write_nothing_but_marks_and_sees_no_device() -> None:
    lines = (CHECKOUT / "systemd" / "halfcycle-page.service").read_text().splitlines()
    assert [line for line in lines if line.startswith("ReadWritePaths")] == [
        "ReadWritePaths=-/run/halfcycle/spool"
    ]
    assert {"PrivateDevices=yes", "User=halfcycle-page"} <= set(lines)
    assert not [line for line in lines if line.startswith(("DeviceAllow", "StateDirectory"))]
