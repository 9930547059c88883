"""`store.keep_mb`: what goes first, that it is said, and that the chain of hashes holds."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from daemon import retention
from daemon.chain_begin import BEGUN_LATE
from daemon.chain_check import ChainReport, verify
from daemon.database_file import WAL_LIMIT_BYTES
from daemon.records import Judgement, LogEntry, LogKind, Trace, Verdict, Waveform
from daemon.store import Store
from tests.database_material import START_UTC_S, dip, judged, rows, run_info
from tests.survival_material import Proof

LIMIT_BYTES = 2_000_000
KEEP_BYTES = LIMIT_BYTES + WAL_LIMIT_BYTES
VERDICTS = (Verdict.WITHIN, None, Verdict.BEYOND_LIMIT, Verdict.MAY_STOP, Verdict.MAY_DAMAGE)
DICE = np.random.default_rng(1)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "events.db"


@pytest.fixture
def store(path: Path) -> Iterator[Store]:
    with closing(Store(path, "UTC", KEEP_BYTES)) as found:
        found.begin_run(run_info())
        yield found


def put(store: Store, number: int, verdict: Verdict | None, n_samples: int) -> None:
    """Noise does not compress: an event takes about two bytes a sample."""
    waves = (Waveform(number * 100_000, 16000.0, noise(n_samples)),) if n_samples else ()
    trace = Trace(np.arange(200.0), noise(200)) if n_samples else None
    event = dip(number, trace=trace, waveforms=waves, start_s=float(number))
    judgement = Judgement("iti-2000", verdict, None)
    store.add(
        store.run_id, [judged(event, judgement=judgement, start_utc_s=START_UTC_S + number)], []
    )


def noise(n_samples: int) -> "np.ndarray[tuple[int], np.dtype[np.float32]]":
    return DICE.normal(0, 100, n_samples).astype(np.float32)


def chain_of(store: Store) -> ChainReport:
    with store._file.reading() as connection:
        found = verify(connection)
    assert found is not None
    return found


def waveforms_by_verdict(path: Path) -> dict[str | None, int]:
    sql = (
        "SELECT verdict, count(waveform.event_id) FROM event "
        "LEFT JOIN waveform ON waveform.event_id = event.id GROUP BY verdict"
    )
    return dict(rows(path, sql))


def test_nothing_is_touched_below_the_limit(store: Store, path: Path) -> None:
    put(store, 1, Verdict.WITHIN, 16_000)
    assert not store.thin(START_UTC_S)
    assert rows(path, "SELECT count(*) FROM log") == [(0,)]


def test_waveforms_of_the_least_serious_go_first_and_no_row_goes(store: Store, path: Path) -> None:
    """200 events of 32 kB against 2 MB: a third may stay, and the worst 40 do."""
    proof = Proof("database beyond store.keep_mb")
    thinned = 0
    for number in range(200):
        put(store, number, VERDICTS[number % 5], 16_000)
        if store.thin(START_UTC_S + number):
            proof.times, thinned = proof.times + 1, number
        used = rows(path, "PRAGMA page_count")[0][0] * 4096
        # what one event brings is there before it is thinned
        proof.check(used <= LIMIT_BYTES + 100_000, f"{used} bytes after event {number}")
    assert rows(path, "SELECT count(*) FROM event") == [(200,)]
    left = waveforms_by_verdict(path)
    lesser = (
        "SELECT count(*) FROM event JOIN waveform ON event_id = event.id "
        f"WHERE number <= {thinned} AND coalesce(verdict, 'within') IN ('within', 'beyond_limit')"
    )
    assert rows(path, lesser) == [(0,)]
    assert left["may_damage"] == 40  # all of them; of the second worst only the newest
    sql = "SELECT number FROM event JOIN waveform ON event_id = id WHERE verdict = 'may_stop'"
    newest = [number for (number,) in rows(path, sql)]
    assert newest == list(range(200 - 5 * len(newest) + 3, 200, 5))
    texts = [text for (text,) in rows(path, "SELECT text FROM log WHERE kind = 'fault'")]
    assert len(texts) == proof.times
    assert texts[0].startswith("store.keep_mb is reached; let go to make room: waveforms of ")
    chain = chain_of(store)
    proof.lost += chain.findings
    assert chain.n_let_go == 200 - sum(left.values())
    proof.settle()


def test_rows_found_within_go_before_others_and_the_chain_says_which(
    store: Store, path: Path
) -> None:
    for number in range(400):
        put(store, number, VERDICTS[number % 5], 0)
    before = chain_of(store)
    with store._file.writing() as connection:
        used = retention.used_bytes(connection)
        thinned = retention.thin(connection, used, run_id=0)
    retention.give_back(store._file.connection, used, has_holes=thinned.has_holes)
    (n_left,) = rows(path, "SELECT count(*) FROM event WHERE verdict = 'within'")[0]
    assert thinned == retention.Thinned(f"{80 - n_left} events found within", True)
    assert 0 < n_left < 80
    assert rows(path, "SELECT count(*) FROM event")[0][0] == 320 + n_left
    # a twentieth of the limit, as far as a guess of 500 bytes a row holds
    assert rows(path, "PRAGMA page_count")[0][0] * 4096 <= 0.97 * used
    chain = chain_of(store)
    assert (chain.findings, chain.n_let_go) == ((), 80 - n_left)
    assert list(chain.hashes[: len(before.hashes)]) == list(before.hashes)
    with store._file.writing() as connection:
        connection.execute("DELETE FROM event WHERE number = 2")
    assert chain_of(store).findings == ("event 3 was removed",)


def test_at_last_the_oldest_of_everything_goes_and_ids_are_not_given_again(
    store: Store, path: Path
) -> None:
    for number in range(200):
        put(store, number, Verdict.MAY_DAMAGE, 0)
    entries = [LogEntry(LogKind.FAULT, START_UTC_S, None, None, "x" * 500)] * 1500
    store.add(store.run_id, [], entries)
    said = []
    while rows(path, "PRAGMA page_count")[0][0] * 4096 > 300_000:
        with store._file.writing() as connection:
            thinned = retention.thin(connection, 300_000, run_id=0)
        retention.give_back(store._file.connection, 300_000, has_holes=thinned.has_holes)
        said.append(thinned.words)
    # what removed rows will free is a guess, so there may be a second time
    assert 1 <= len(said) <= 3
    assert said[0].startswith("the chain of hashes (1702 links), begun anew, 199 other events, ")
    (n_log,) = rows(path, "SELECT count(*) FROM log")[0]
    assert 1 < n_log < 600
    put(store, 1000, Verdict.WITHIN, 0)
    assert rows(path, "SELECT id, number FROM event") == [(200, 199), (201, 1000)]
    chain = chain_of(store)
    assert chain.findings == ()
    assert chain.n_not_covered == 1 + n_log


def test_a_chain_begun_anew_to_make_room_is_not_taken_for_an_edit(store: Store) -> None:
    """By the log entry that says so; without it the same file was edited."""
    for number in range(600):
        put(store, number, Verdict.MAY_DAMAGE, 0)
    store._limit_bytes = 300_000
    with store._file.writing() as connection:  # as the monitor labels each event
        connection.execute("UPDATE event SET category = 'sag'")
    assert len(chain_of(store).findings) == 600
    assert store.thin(START_UTC_S)
    chain = chain_of(store)
    assert chain.findings == ()
    assert len(chain.hashes) < 10 < chain.n_not_covered
    with store._file.writing() as connection:
        connection.execute("UPDATE log SET text = 'nothing'")
    assert BEGUN_LATE in chain_of(store).findings


def test_open_events_of_the_run_are_left_alone(store: Store, path: Path) -> None:
    wave = Waveform(0, 16000.0, noise(1_200_000))
    event = dip(1, duration_s=None, complete=False, waveforms=(wave,))
    store.add(store.run_id, [judged(event)], [])
    assert store.thin(START_UTC_S)
    assert rows(path, "SELECT count(*) FROM waveform") == [(1,)]


def test_a_smaller_limit_shortens_the_file(path: Path) -> None:
    with closing(Store(path, "UTC")) as store:
        store.begin_run(run_info())
        for number in range(150):
            put(store, number, Verdict.WITHIN, 16_000)
    assert path.stat().st_size > 2 * LIMIT_BYTES
    with closing(Store(path, "UTC", KEEP_BYTES)) as store:
        store.begin_run(run_info())
        assert store.thin(START_UTC_S)
    assert path.stat().st_size <= LIMIT_BYTES


def test_much_that_is_to_go_goes_a_part_at_a_time(path: Path) -> None:
    """12 MB to 2 MB: no transaction takes much more than its part, and each part is logged."""
    with closing(Store(path, "UTC")) as store:
        store.begin_run(run_info())
        for number in range(6):
            put(store, number, Verdict.WITHIN, 1_000_000)
    wal, n_calls = path.with_name("events.db-wal"), 0
    with closing(Store(path, "UTC", KEEP_BYTES)) as store:
        store.begin_run(run_info())
        while store.thin(START_UTC_S):
            n_calls += 1
            assert wal.stat().st_size < 3 * retention.AT_ONCE_BYTES
        for _ in range(5):  # seconds in which the rest of the file is given back
            store.thin(START_UTC_S)
        assert path.stat().st_size <= LIMIT_BYTES
    # the largest part is one event: about two bytes for each of a million samples
    assert 2 <= n_calls <= 6
    assert rows(path, "SELECT count(*) FROM log WHERE kind = 'fault'") == [(n_calls,)]
    assert rows(path, "SELECT count(*) FROM event") == [(6,)]
