"""A database held against its chain of hashes: every kind of later edit is found and named."""

import hashlib
import json
import sqlite3
from pathlib import Path

import pytest

from daemon import schema
from daemon.archive import open_archive
from daemon.errors import StoreError
from daemon.records import LogEntry, LogKind
from daemon.store import Store
from tests.after_watch_material import RUN_UTC_S, fill, run
from tests.database_material import dip, judged, rows, run_info


@pytest.fixture
def path(tmp_path: Path) -> Path:
    fill(tmp_path / "a.db")
    return tmp_path / "a.db"


def edit(path: Path, sql: str) -> None:
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA foreign_keys = ON")
    connection.executescript(sql)
    connection.commit()
    connection.close()


def said(path: Path, *words: str) -> str:
    return " ".join(run("check-db", path, *words).output.split())


def test_an_untouched_database_is_found_sound(path: Path) -> None:
    before = path.read_bytes()
    found = run("check-db", path)
    assert found.exit_code == 0
    assert found.output.startswith(
        "The file is whole, and no later edit of events, log and settings was found.\n"
    )
    assert "10 min 00 s unobserved (1.7 %) in 1 gap" in " ".join(found.output.split())
    words = " ".join(found.output.split())
    assert "Covered by the chain: the tables event, trace, waveform and log." in words
    assert "6 links" in found.output  # four events, two log entries
    assert path.read_bytes() == before


@pytest.mark.parametrize(
    ("sql", "finding"),
    [
        ("UPDATE event SET value = 141.0 WHERE id = 2", "event 2 was changed"),
        ("UPDATE event SET verdict = 'within' WHERE id = 1", "event 1 was changed"),
        ("UPDATE event SET \"limit\" = NULL WHERE id = 1", "event 1 was changed"),
        ("DELETE FROM event WHERE id = 3", "event 3 was removed"),
        ("UPDATE log SET duration_s = 1 WHERE id = 2", "log entry 2 was changed"),
        ("DELETE FROM log WHERE id = 2", "log entry 2 was removed"),
        ("UPDATE trace SET urms = x'00' WHERE event_id = 1", "waveform of event 1 was changed"),
        ("UPDATE waveform SET scale_v = 1 WHERE event_id = 2", "waveform of event 2 was changed"),
        (
            "INSERT INTO log (run_id, kind, start_utc, start_local, text) "
            "VALUES (1, 'mark', '', '', '')",
            "log entry 3 was added",
        ),
        ("DELETE FROM chain WHERE about = 'event' AND row_id = 2", "chain itself was changed"),
        (
            "UPDATE settings SET text = replace(text, '230.0', '240.0')",
            "settings 1, of run 1, do not fit their digest: they were changed",
        ),
        ("UPDATE chain SET hash = 'a' WHERE id = 4", "chain itself was changed at link 4"),
    ],
)  # fmt: skip
def test_an_edit_is_found_and_named(path: Path, sql: str, finding: str) -> None:
    edit(path, sql)
    assert run("check-db", path).exit_code == 3
    assert finding in said(path)
    assert said(path).startswith("The file is whole, but it is not as the monitor wrote it.")


def test_a_row_removed_by_another_program_is_an_edit_and_no_damage(path: Path) -> None:
    """Other programs leave foreign keys unchecked: what belonged to the row stays behind."""
    connection = sqlite3.connect(path)
    connection.execute("DELETE FROM event WHERE id = 3")
    connection.commit()
    connection.close()
    words = said(path)
    assert run("check-db", path).exit_code == 3
    assert words.startswith(
        "The file is whole, but it is not as the monitor wrote it. - event 3 was removed"
    )
    assert "row 3 of trace belongs to a row of event that is gone" in words
    assert "damaged" not in words
    assert "copy the file again" not in words


BEGIN_ANEW = "DELETE FROM chain;" + "".join(
    "INSERT INTO chain (about, row_id, row_digest, evidence_digest, hash) "
    f"SELECT 'before_{table}', coalesce(max(id), 0), '', '', '{'0' * 64}' FROM {table};"
    for table in ("event", "log")
)


@pytest.mark.parametrize(
    ("sql", "finding"),
    [
        ("DROP TABLE chain", "the chain of hashes was removed"),
        ("DROP TABLE chain; PRAGMA user_version = 1", "the chain of hashes was removed"),
        (BEGIN_ANEW, "the chain of hashes begins after the first rows"),
        ("DELETE FROM chain", "event 1 was added, or closed, by something else"),
        (
            "INSERT INTO chain (about, row_id, row_digest, evidence_digest, hash) "
            "VALUES ('before_event', 99, '', '', '')",
            "the chain itself was changed at link 9",
        ),
    ],
)
def test_a_newer_file_without_its_whole_chain_was_edited(
    path: Path, sql: str, finding: str
) -> None:
    edit(path, f"UPDATE event SET category = 'sag', value = 200 WHERE id = 4; {sql}")
    words = said(path)
    assert run("check-db", path).exit_code == 3
    assert words.startswith("The file is whole, but it is not as the monitor wrote it.")
    assert finding in words
    assert "was written before there was a chain" not in words
    assert finding in " ".join(run("show", path, 1).output.split())


def test_statistics_tell_a_log_that_lost_its_chain(path: Path) -> None:
    """A watch without events: no monitor without a chain kept statistics of its days."""
    emptied = "DELETE FROM event; DELETE FROM chain WHERE about = 'event';"
    edit(path, f"{emptied} {BEGIN_ANEW}")
    assert run("check-db", path).exit_code == 0
    assert "2 rows are older than the chain" in said(path)
    edit(path, "INSERT INTO statistics VALUES (1, '2026-11-25', 'L1', x'00')")
    assert "the chain of hashes begins after the first rows" in said(path)


def test_a_chain_let_go_to_save_room_is_no_edit(path: Path) -> None:
    edit(path, "UPDATE event SET category = 'sag'")
    edit(path, BEGIN_ANEW)
    assert run("check-db", path).exit_code == 3
    text = "store.keep_mb is reached; let go: the chain of hashes (6 links), begun anew"
    store = Store(path, "UTC")
    store.add(1, [], [LogEntry(LogKind.FAULT, RUN_UTC_S, None, None, text)])
    store.close()
    assert run("check-db", path).exit_code == 0
    assert "6 rows are older than the chain of hashes" in said(path)


def test_waveforms_let_go_are_no_edit(path: Path) -> None:
    edit(path, "DELETE FROM waveform WHERE event_id IN (1, 2)")
    assert run("check-db", path).exit_code == 0
    assert "waveforms of 2 events were let go" in said(path)


def test_a_noted_head_is_found_until_the_chain_is_made_anew(path: Path) -> None:
    report = open_archive(path).chain()
    assert report is not None
    store = Store(path, "UTC")
    store.add(1, [], [LogEntry(LogKind.MARK, RUN_UTC_S, None, None, "press 2 stopped")])
    store.close()
    assert run("check-db", path, "--head", report.head[:16]).exit_code == 0
    other = said(path, "--head", "0123456789abcdef")
    assert other.startswith("The file is whole, but the noted head is not of this file.")
    assert "of another watch, or of a part before it was merged, or the chain was computed" in other
    assert run("check-db", path, "--head", "0123456789abcdef").exit_code == 3
    assert run("check-db", path, "--head", "hello").exit_code == 2


def test_the_digests_are_what_they_say_they_are(path: Path) -> None:
    """Computed here once more, from the documented form, with hashlib and json alone."""
    connection = sqlite3.connect(path)
    cursor = connection.execute("SELECT * FROM event WHERE id = 1")
    row = dict(zip([c[0] for c in cursor.description], cursor.fetchone(), strict=True))
    connection.close()
    text = json.dumps({k: v for k, v in row.items() if v is not None}, sort_keys=True)
    digest = hashlib.sha256(text.encode()).hexdigest()
    links = rows(path, "SELECT about, row_id, row_digest, evidence_digest, hash FROM chain")
    first = links[2]
    assert first[:3] == ("event", 1, digest)
    whole = f"{'0' * 64} event 1 {digest} {first[3]}"
    assert first[4] == hashlib.sha256(whole.encode()).hexdigest()


def test_an_event_written_again_gets_another_link_only_when_it_differs(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info())
    store.add(run_id, [judged(dip(1, duration_s=None, complete=False))], [])
    store.add(run_id, [judged(dip(1))], [])
    store.add(run_id, [judged(dip(1))], [])
    store.add(run_id, [judged(dip(1, value=100.0))], [])
    store.close()
    assert rows(path, "SELECT count(*) FROM chain WHERE about = 'event'") == [(2,)]
    assert run("check-db", path).exit_code == 0


def test_events_cut_short_are_closed_in_the_chain(tmp_path: Path) -> None:
    path = tmp_path / "a.db"
    store = Store(path, "UTC")
    store.add(store.begin_run(run_info()), [judged(dip(1, duration_s=None, complete=False))], [])
    store.close()
    store = Store(path, "UTC")
    assert (store.close_open_events(), store.close_open_events()) == (1, 0)
    store.close()
    assert rows(path, "SELECT row_id FROM chain WHERE about = 'event'") == [(1,)]
    found = run("check-db", path)
    assert found.exit_code == 0
    assert "the end was not seen of: event 1" in found.output
    assert "not ended in good order: run 1" in found.output


def test_a_database_from_before_the_chain(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows older than the chain are said not to be covered; the writer adds the chain."""
    path = tmp_path / "a.db"
    connection = sqlite3.connect(path, isolation_level=None)
    steps = schema.STEPS
    monkeypatch.setattr(schema, "STEPS", steps[:1])
    schema.migrate(connection)
    connection.executescript(
        f"INSERT INTO settings VALUES (1, '{hashlib.sha256(b'{}').hexdigest()}', '{{}}'); "
        "INSERT INTO run VALUES (1, 1, "
        "'2026-01-01T00:00:00.000Z', '2026-01-01T01:00:00.000Z', 1, 'd', 1, '', 1, 0, 'free', "
        "'[]', 'UTC'); INSERT INTO log (run_id, kind, start_utc, start_local, text) "
        "VALUES (1, 'mark', '2026-01-01T00:00:00.000Z', '', '');"
    )
    connection.close()
    monkeypatch.setattr(schema, "STEPS", steps)
    assert said(path).startswith("The file is whole. Whether it was edited cannot be found.")
    assert "it was written before there was a chain of hashes: edits cannot be found" in said(path)
    assert open_archive(path).runs()[0].origin is None
    Store(path, "UTC").close()
    assert run("check-db", path).exit_code == 0
    assert said(path).startswith("The file is whole. Some of it no chain of hashes speaks for")
    assert "1 row is older than the chain of hashes: edits before it began cannot" in said(path)


def test_damage_is_found(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[-4096:] = bytes(4096)
    path.write_bytes(content)
    try:
        faults = open_archive(path).faults_of_file()
    except StoreError as error:
        faults = [str(error)]
    assert faults
    assert run("check-db", path).exit_code in (3,)


def test_a_file_that_cannot_be_read_comes_with_what_to_do(path: Path) -> None:
    """The first page holds the schema: without it SQLite itself only says `malformed`."""
    content = bytearray(path.read_bytes())
    content[100:4096] = b"\xff" * 3996
    path.write_bytes(content)
    found = run("check-db", path)
    assert found.exit_code == 3
    assert "What to do: copy the file again" in found.output
    assert ".recover" in found.output


def test_what_no_hash_covers_is_held_against_the_log(tmp_path: Path) -> None:
    """The account of a run can be edited unseen, but not the entry that says when it stopped."""
    path = tmp_path / "a.db"
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info())
    store.add(run_id, [], [LogEntry(LogKind.STOPPED, RUN_UTC_S + 7200.0, 7200.0, None, "stopped")])
    store.end_run(run_id, RUN_UTC_S + 7200.0, 1, 0)
    store.close()
    assert run("check-db", path).exit_code == 0
    edit(path, "UPDATE run SET until_utc = '2026-11-25T20:00:00.000Z'")
    words = said(path)
    assert (
        "the account of run 1 was changed: it is said to end at 2026-11-25 21:00:00, but" in words
    )
    assert words.startswith("The file is whole, but it is not as the monitor wrote it.")
    assert run("check-db", path).exit_code == 3


def test_every_verb_that_rests_on_edited_rows_says_so(path: Path, tmp_path: Path) -> None:
    fill(tmp_path / "b.db")
    log = tmp_path / "log.csv"
    log.write_text("time\n2026-11-25T07:15:35Z\n")
    page = tmp_path / "r.html"
    verbs = (
        ("show", path, 1),
        ("correlate", path, log),
        ("compare", path, tmp_path / "b.db"),
        ("report", path, "-o", page),
    )

    def texts() -> list[str]:
        said = [" ".join(run(*words).output.split()) for words in verbs[:3]]
        run(*verbs[3])
        return [*said, " ".join(page.read_text().split())]

    assert not [text for text in texts() if "Careful:" in text and "the monitor wrote" in text]
    edit(path, "UPDATE event SET value = 141.0 WHERE id = 2")
    for text in texts():
        assert text.count("is not as the monitor wrote it: event 2 was changed. See check-db") == 1
    edit(path, "DROP TABLE chain")
    for text in texts():
        assert text.count("is not as the monitor wrote it: the chain of hashes was removed") == 1
