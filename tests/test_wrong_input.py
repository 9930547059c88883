"""What the user gives is wrong: one clear message, the right exit status, and nothing written."""

import hashlib
import shutil
import signal
import socket
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from daemon.store import Store
from tests.database_material import dip, judged, run_info
from tests.whole_material import (
    Raw,
    halfcycle,
    mains,
    raw_config,
    wav_driver,
    write_config,
    write_wav,
)
from tools.cli import main

Prepare = Callable[[Path], object]


@dataclass(frozen=True)
class Case:
    """Words of the command, what makes them wrong, and what the message has to name."""

    words: str
    prepare: Prepare
    says: tuple[str, ...]
    status: int = 2
    n_lines: int = 1


def config(driver: Raw | None = None, **changes: Any) -> Prepare:
    return lambda folder: write_config(folder, driver or wav_driver(), **changes)


def text(name: str, content: str | bytes) -> Prepare:
    data = content if isinstance(content, bytes) else content.encode()
    return lambda folder: (folder / name).write_bytes(data)


def both(*parts: Prepare) -> Prepare:
    return lambda folder: [part(folder) for part in parts]


def cut_short(folder: Path) -> None:
    path = folder / "a.wav"
    path.write_bytes(path.read_bytes()[:-1000])


def tables(**changes: Any) -> Raw:
    return raw_config(wav_driver(), **changes)


def other_database(folder: Path) -> None:
    with closing(sqlite3.connect(folder / "events.db")) as connection:
        connection.execute("CREATE TABLE recipe (name TEXT)")
        connection.commit()


def our_database(folder: Path) -> None:
    store = Store(folder / "events.db", "UTC")
    run_id = store.begin_run(run_info())
    store.add(run_id, [judged(dip(1))], [])
    store.close()


RUN = "monitor -c site.yaml --no-page"
SITE = tables()["site"]
SUPPLY = tables()["supply"]
CASES = {
    "no such configuration": Case("monitor -c none.yaml", lambda folder: None, ("none.yaml",)),
    "configuration is a folder": Case(
        "monitor -c site.yaml", lambda folder: (folder / "site.yaml").mkdir(), ("site.yaml",)
    ),
    "configuration is empty": Case(RUN, text("site.yaml", ""), ("site.yaml",)),
    "configuration is a list": Case(RUN, text("site.yaml", "- a\n- b\n"), ("site.yaml",)),
    "not YAML": Case(RUN, text("site.yaml", "site: {name: [\n"), ("site.yaml", "line")),
    "not text": Case(RUN, text("site.yaml", b"\xff\xfe\x00site"), ("site.yaml",)),
    "a key twice": Case(RUN, text("site.yaml", "site: {}\nsite: {}\n"), ("site.yaml", "site")),
    "unknown key": Case(
        RUN, config(supply={**SUPPLY, "volts": 230}), ("site.yaml", "supply.volts")
    ),
    "impossible value": Case(
        RUN, config(supply={**SUPPLY, "nominal_v": -5}), ("supply.nominal_v", "-5", "10")
    ),
    "several faults at once": Case(
        RUN,
        config(supply={**SUPPLY, "nominal_v": -5, "frequency_hz": 55}, store={"path": "e", "x": 1}),
        ("supply.nominal_v", "supply.frequency_hz", "store.x"),
        n_lines=3,
    ),
    "unknown time zone": Case(
        RUN, config(site={**SITE, "timezone": "Europe/Atlantis"}), ("site.timezone", "Atlantis")
    ),
    "unknown profile": Case(
        RUN, config(supply={**SUPPLY, "profile": "mine"}), ("mine", "iti-2000")
    ),
    "profile file is wrong": Case(
        RUN,
        both(
            config(supply={**SUPPLY, "profile": "mine.yaml"}),
            text("mine.yaml", "id: mine\nkind: immunity\ntitle: Mine\nsource: me\ncolour: red\n"),
        ),
        ("mine.yaml", "colour"),
    ),
    "profile file is not there": Case(
        RUN, config(supply={**SUPPLY, "profile": "mine.yaml"}), ("mine.yaml",)
    ),
    "unknown driver": Case(
        RUN, config({"name": "nothing"}), ("driver.name", "'nothing'", "recording", "simulated")
    ),
    "unknown driver key": Case(
        RUN, config(wav_driver(speed=2)), ("site.yaml", "driver.speed")
    ),
    "thresholds cross": Case(
        RUN, config(capture={"dip_pct": 40, "interruption_pct": 50}), ("capture", "50")
    ),
    "recording is not there": Case(RUN, config(wav_driver("b.wav")), ("driver.path", "b.wav")),
    "recording is empty": Case(
        RUN, both(config(wav_driver("b.wav")), text("b.wav", "")), ("driver.path", "b.wav", "empty")
    ),
    "recording is cut short": Case(
        RUN, both(config(), cut_short), ("driver.path", "a.wav", "cut short")
    ),
    "recording is no WAV": Case(
        RUN, both(config(), text("a.wav", "hello " * 50)), ("driver.path", "a.wav")
    ),
    "recording of an unknown kind": Case(
        RUN, both(config({"name": "recording", "path": "a.mp3"}), text("a.mp3", "x")), ("a.mp3",)
    ),
    "COMTRADE without data": Case(
        RUN,
        both(config({"name": "recording", "path": "r.cfg"}), text("r.cfg", "Bench,1,1999\n")),
        ("r.cfg",),
    ),
    "no such column": Case(
        RUN, config(wav_driver(inputs=["VA"])), ("driver.inputs", "VA", "ch1")
    ),
    "scenario is not there": Case(
        RUN, config({"name": "simulated", "scenario": "s.yaml"}), ("s.yaml",)
    ),
    "scenario is wrong": Case(
        RUN,
        both(
            config({"name": "simulated", "scenario": "s.yaml"}),
            text("s.yaml", "supply: {nominal_v: 230, frequency_hz: 50, colour: red}\n"),
        ),
        ("s.yaml", "supply.colour"),
        n_lines=2,
    ),
    "channel input out of range": Case(
        RUN, config(channels=[{"name": "L1", "input": 3}]), ("channels.0.input", "3", "ch1")
    ),
    "two channels of one name": Case(
        RUN,
        config(channels=[{"name": "L1", "input": 0}, {"name": "L1", "input": 1}]),
        ("channels", "L1"),
    ),
    "folder of the database is not there": Case(
        RUN, config(store={"path": "none/events.db"}), ("store.path", "none")
    ),
    "database is something else": Case(
        RUN, both(config(), text("events.db", "not a database " * 20)), ("events.db",)
    ),
    "database of another program": Case(
        RUN, both(config(), other_database), ("events.db", "another program")
    ),
    "page open to the network": Case(
        RUN, config(page={"bind": "0.0.0.0"}), ("page", "token")
    ),
    "measure: recording is not there": Case(
        "measure -c site.yaml", config(wav_driver("b.wav")), ("driver.path", "b.wav")
    ),
    "measure: channel input out of range": Case(
        "measure -c site.yaml", config(channels=[{"name": "L1", "input": 3}]), ("channels.0.input",)
    ),
    "events: no such database": Case("events none.db", lambda folder: None, ("none.db",)),
    "events: not a database": Case("events a.wav", lambda folder: None, ("a.wav",)),
    "events: a time that is none": Case(
        "events events.db --since soon", our_database, ("--since", "soon")
    ),
    "events: from after until": Case(
        "events events.db --since 2026-02-01 --until 2026-01-01",
        our_database,
        ("--since", "--until"),
    ),
    "show: no such event": Case("show events.db 99", our_database, ("99",)),
    "show: another program's": Case("show events.db 1", other_database, ("another program",)),
    "judge: unknown profile": Case(
        "judge events.db --profile mine", our_database, ("mine", "iti-2000")
    ),
    "profiles: unknown": Case("profiles show mine", lambda folder: None, ("mine", "iti-2000")),
    "demo: folder of the database is not there": Case(
        "demo --no-page --db none/events.db", lambda folder: None, ("none",)
    ),
}  # fmt: skip


def listing(folder: Path) -> dict[str, str]:
    """Every file and folder, with what is in it."""
    return {
        str(path.relative_to(folder)): (
            hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        )
        for path in sorted(folder.rglob("*"))
    }


@pytest.fixture
def quiet_signals() -> Iterator[None]:
    """The verbs take SIGTERM and SIGINT for themselves; the tests want theirs back."""
    before = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGINT)}
    yield
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.usefixtures("quiet_signals")
@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
def test_one_clear_message_and_nothing_written(
    case: Case, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """In the test's own process, for speed; what its children say is caught as well."""
    write_wav(tmp_path / "a.wav", mains(0.5))
    case.prepare(tmp_path)
    before = listing(tmp_path)
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, case.words.split(), prog_name="halfcycle")
    assert isinstance(result.exception, SystemExit), result.exception
    check(case, result.exit_code, result.stderr)
    assert capfd.readouterr().err == ""
    assert listing(tmp_path) == before


@pytest.mark.parametrize("name", ["unknown key", "recording is cut short", "show: no such event"])
def test_the_same_from_a_shell(name: str, tmp_path: Path) -> None:
    case = CASES[name]
    write_wav(tmp_path / "a.wav", mains(0.5))
    case.prepare(tmp_path)
    before = listing(tmp_path)
    done = halfcycle(*case.words.split(), cwd=tmp_path)
    check(case, done.returncode, done.stderr)
    assert listing(tmp_path) == before


def check(case: Case, status: int, stderr: str) -> None:
    assert status == case.status, stderr
    lines = stderr.splitlines()
    assert lines[0].startswith("halfcycle: ")
    assert sum(line.startswith("halfcycle: ") for line in lines) == 1
    assert len(lines) == case.n_lines, stderr
    assert "Traceback" not in stderr
    for words in case.says:
        assert words in stderr


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("monitor", "--config"),
        ("measure -c site.yaml --interval 3s", "10min"),
        ("events x.db --kind flash", "flicker"),
        ("wash", "wash"),
        ("demo --port 70000", "70000"),
    ],
)
def test_a_wrong_word_on_the_command_line(
    words: str, says: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """click answers with the usage, a hint, and one error."""
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, words.split(), prog_name="halfcycle")
    assert result.exit_code == 2
    assert result.stderr.startswith("Usage: halfcycle")
    assert sum(line.startswith("Error: ") for line in result.stderr.splitlines()) == 1
    assert says in result.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.fixture
def taken_port() -> Iterator[int]:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        port: int = listener.getsockname()[1]
        yield port


@pytest.mark.parametrize("verb", ["monitor", "demo"])
def test_a_port_in_use_is_found_before_anything_is_written(
    verb: str, tmp_path: Path, taken_port: int
) -> None:
    write_wav(tmp_path / "a.wav", mains(0.5))
    write_config(tmp_path, wav_driver(), page={"port": taken_port})
    before = listing(tmp_path)
    words = {"monitor": "-c site.yaml", "demo": f"--port {taken_port} --db events.db"}[verb]
    done = halfcycle(verb, *words.split(), cwd=tmp_path)
    assert done.returncode == 2
    (line,) = done.stderr.splitlines()
    assert line.startswith(f"halfcycle: page.port is {taken_port}")
    assert "in use" in line
    assert listing(tmp_path) == before


def test_port_0_is_any_free_one(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", mains(0.5))
    config_path = write_config(tmp_path, wav_driver(), page={"port": 0})
    done = halfcycle("monitor", "-c", config_path)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_folder_that_cannot_be_written_to(tmp_path: Path) -> None:
    """proc(5) takes no files, not even from root."""
    write_wav(tmp_path / "a.wav", mains(0.5))
    config_path = write_config(tmp_path, wav_driver(), store={"path": "/proc/events.db"})
    done = halfcycle("monitor", "-c", config_path, "--no-page")
    assert done.returncode == 3
    (line,) = done.stderr.splitlines()
    assert line.startswith("halfcycle: /proc/events.db")


def test_the_listing_sees_a_change(tmp_path: Path) -> None:
    """The comparison above can fail."""
    (tmp_path / "a").write_text("1")
    before = listing(tmp_path)
    (tmp_path / "a").write_text("2")
    assert listing(tmp_path) != before
    shutil.rmtree(tmp_path)
    assert listing(tmp_path) == {}
