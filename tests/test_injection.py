"""Text from elsewhere (names, notes, databases, CSV files) is shown, and never obeyed.

By a browser (markup), a terminal (escape sequences), a spreadsheet (formulas), a path (..).
The strings are those that people use to try it: common practice, no source.
"""

import csv
import io
import json
import sqlite3
from contextlib import closing
from html.parser import HTMLParser
from pathlib import Path

import pytest

from daemon.records import LogEntry, LogKind
from daemon.store import Store
from tests.after_watch_material import RATE_HZ, RUN_UTC_S, SNAPSHOT, run, seen_dip
from tests.database_material import judged, run_info
from tests.page_material import plausible_snapshot
from tests.test_page import Place
from tools.text import csv_cell

MARKUP = "<script>alert(1)</script>\"'><img src=evil onerror=alert(1)></svg>"
TERMINAL = "\x1b]0;owned\x07\x1b[2J\x9b31m\u202eabc\r"
FORMULA = '=HYPERLINK("http://localhost/?"&A1,"x")'
PATH = "../../../etc/x/\x00\n"
MATHS = r"$\frac{$ ^_\ %s {0} {{ 7*7 }} {% raw %}"
EVIL = {"markup": MARKUP + MATHS, "terminal": TERMINAL, "formula": FORMULA, "path": PATH}
VERBS = (
    "events x.db --all", "show x.db 1", "show x.db 2", "check-db x.db", "correlate x.db f.csv",
    "judge x.db --profile iti-2000 --all", "compare x.db x.db", "events x.db --all --format csv",
    "events x.db --all --format jsonl",
)  # fmt: skip


def evil_database(path: Path, evil: str) -> None:
    """Every text that a database can bring says it: settings, channel, limit, mark, origin."""
    settings = json.loads(SNAPSHOT)
    settings["site"] |= {"name": evil, "circuit": evil}
    store = Store(path, "Europe/Vienna")
    info = run_info(settings_text=json.dumps(settings), started_utc_s=RUN_UTC_S, driver=evil,
                    channels=(evil,), clock=evil, boot_id=evil)  # fmt: skip
    run_id = store.begin_run(info)
    events = [judged(seen_dip(number, at_s), start_utc_s=RUN_UTC_S + at_s, clock=evil)
              for number, at_s in ((1, 3600.0), (2, 9000.5))]  # fmt: skip
    marks = [LogEntry(LogKind.MARK, RUN_UTC_S + 3601.0, None, None, evil),
             LogEntry(LogKind.FAULT, RUN_UTC_S + 3700.0, None, None, evil)]  # fmt: skip
    store.add(run_id, events, marks)
    store.end_run(run_id, RUN_UTC_S + 36_000.0, round(36_000 * RATE_HZ), 0)
    store.close()
    spoil(path, evil)


def spoil(path: Path, evil: str) -> None:
    """Columns that the store itself would not fill so."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE event SET channel = ?, \"limit\" = ?, profile = ?, flags = ?, "
                           "cause = ?, evidence = ?, category = ?", (evil, evil, evil,
                           json.dumps([evil]), evil, evil, evil))  # fmt: skip
        connection.execute("UPDATE run SET origin = ?", (evil,))
        connection.commit()


@pytest.fixture(params=list(EVIL.values()), ids=list(EVIL))
def evil(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    text: str = request.param
    monkeypatch.chdir(tmp_path)
    evil_database(tmp_path / "x.db", text)
    cell = text.replace('"', '""').replace("\x00", "")
    (tmp_path / "f.csv").write_text(
        f'2026-11-25T07:15:34Z,"{cell}"\n2026-11-25T08:46:00Z,"{cell}"\n'
    )
    return text


def test_a_terminal_is_given_nothing_to_obey(evil: str) -> None:
    for words in VERBS:
        result = run(*words.split())
        assert result.exception is None or isinstance(result.exception, SystemExit), (words, result)
        assert result.exit_code in (0, 2, 3), (words, result.output)
        obeyed = {one for one in result.output if one != "\n" and not one.isprintable()}
        assert not obeyed, (words, obeyed)


def test_a_spreadsheet_is_given_nothing_to_compute(evil: str, tmp_path: Path) -> None:
    assert run("export", "x.db", "-o", "out", "--format", "csv").exit_code == 0
    texts = [run("events", "x.db", "--all", "--format", "csv").output]
    texts += [path.read_text(encoding="utf-8") for path in sorted((tmp_path / "out").iterdir())]
    assert len(texts) == 3
    for text in texts:
        for row in csv.reader(io.StringIO(text)):
            for cell in row:
                assert not cell.startswith(("=", "@", "\t", "\r", "+")), cell
                assert not cell.startswith("-") or float(cell) < 0, cell


def test_numbers_stay_numbers_in_csv() -> None:
    assert [csv_cell(-1.5), csv_cell(None), csv_cell("dip")] == [-1.5, None, "dip"]
    assert csv_cell("=1+1") == "'=1+1"
    assert csv_cell(" \t@x") == " ?@x"
    assert csv_cell("a=b") == "a=b"


class Tags(HTMLParser):
    """Every element, and every attribute that could run something."""

    def __init__(self) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.running: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        self.running += [name for name, _ in attrs if name.startswith("on")]
        self.running += [
            str(value) for name, value in attrs if name == "src" and "evil" in str(value)
        ]


def assert_inert(html: str) -> None:
    tags = Tags()
    tags.feed(html)
    assert not tags.running
    assert "<script>alert" not in html


@pytest.mark.parametrize("evil", [EVIL["markup"], EVIL["terminal"]], indirect=True)
def test_a_report_is_inert(evil: str, tmp_path: Path) -> None:
    words = ["report", "x.db", "-o", "out.html", "--title", evil, "--equipment-log", "f.csv"]
    result = run(*words)
    assert result.exit_code == 0, result.output
    html = (tmp_path / "out.html").read_text(encoding="utf-8")
    assert_inert(html)
    assert "<script" not in html
    assert ("{{ 7*7 }}" in html) == ("{{ 7*7 }}" in evil)  # no template is computed


def test_the_page_is_inert(evil: str, tmp_path: Path) -> None:
    place = Place(tmp_path)
    place.show(plausible_snapshot())
    (tmp_path / "x.db").replace(place.database_path)
    for path in ("/", "/?all=1&span=1w&end=1795600000", "/event/1", "/event/2", "/?part=1"):
        answer = place.ask(path)
        assert answer.status_code == 200, (path, answer.text)
        assert_inert(answer.text)
    for path in ("/event/1/curves.csv", "/event/1/comtrade.zip"):
        answer = place.ask(path)
        assert answer.status_code == 200, (path, answer.text)
        name = answer.headers["content-disposition"]
        assert name.isascii()
        assert name.isprintable()
        assert not {"/", ".."} & {name[n : n + k] for n in range(len(name)) for k in (1, 2)}
        assert name.count('"') == 2


def test_no_name_leads_out_of_the_folder(evil: str, tmp_path: Path) -> None:
    before = set(tmp_path.iterdir())
    words = (
        "export x.db -o out --format csv --format jsonl --format comtrade --format cff --format wav"
    )
    assert run(*words.split()).exit_code == 0
    assert set(tmp_path.iterdir()) - before == {tmp_path / "out"}
    files = list((tmp_path / "out").iterdir())
    assert len(files) == 4 + 2 * (3 + 1 + 1)
    for path in files:
        assert path.is_file()
        assert path.name.isprintable()
        assert not path.name.startswith(".")


def test_a_log_whose_times_were_corrected_can_be_exported(tmp_path: Path) -> None:
    """Found by fuzzing: the first times are no plain value, and JSON refused them."""
    evil_database(tmp_path / "x.db", "L1")
    first = "2026-11-25T06:00:00.000Z"
    with closing(sqlite3.connect(tmp_path / "x.db")) as connection:
        connection.execute("UPDATE log SET as_stored = ?", (json.dumps({"start_utc": first}),))
        connection.commit()
    assert run("export", tmp_path / "x.db", "-o", tmp_path / "out").exit_code == 0
    lines = (tmp_path / "out" / "log.jsonl").read_text(encoding="utf-8").splitlines()
    assert {json.loads(line)["first"] for line in lines} == {first}
