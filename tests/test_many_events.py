"""Of very many events only what is needed is in memory, and looked at."""

import sqlite3
import tracemalloc
from contextlib import closing
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from daemon import retention
from daemon.archive import AT_ONCE, open_archive
from tools.bench_database import write_database
from tools.cli import main
from tools.correlation import find_occurrences
from tools.matching import match
from tools.sag_counts import sag_sentences

FEW, MANY = 4000, 12_000  # two and six times what is read at once


@pytest.fixture(scope="module")
def databases(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("many")
    for n_events in (FEW, MANY):
        write_database(folder / f"{n_events}.db", n_events)
    return folder / f"{FEW}.db", folder / f"{MANY}.db"


def peak_bytes(words: list[str]) -> int:
    tracemalloc.start()
    try:
        done = CliRunner().invoke(main, words, catch_exceptions=False)
        assert done.exit_code == 0, done.output
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_an_export_takes_no_more_memory_for_more_events(tmp_path: Path) -> None:
    few, many = 2 * AT_ONCE, 4 * AT_ONCE
    out = tmp_path / "out"
    words = ["-o", str(out), "--format", "csv", "--format", "jsonl"]
    peaks = {}
    for n_events in (20, few, many):  # the first one for what is loaded but once
        write_database(tmp_path / f"{n_events}.db", n_events)
        peaks[n_events] = peak_bytes(["export", str(tmp_path / f"{n_events}.db"), *words])
    assert peaks[many] < 1.2 * peaks[few]  # held as a whole, it would be twice as much
    for name in ("events.csv", "events.jsonl"):
        lines = (out / name).read_text().splitlines()
        assert len(lines) == many + (name == "events.csv")


def test_dips_of_a_site_are_counted_in_little_memory(databases: tuple[Path, Path]) -> None:
    """Three numbers of each: 24 bytes, and as much again while they are put in order."""
    peaks = []
    for path in databases:
        archive = open_archive(path)
        sag_sentences(archive, [])  # what is loaded but once
        tracemalloc.start()
        (text,) = sag_sentences(archive, [])
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert f"{MANY} below 90 %" in text
    # 48 bytes, the order of them (8), and a place for each that counts (36, one in three): a
    # record of each, as lists hold them, would take more than 200
    assert (peaks[1] - peaks[0]) / (MANY - FEW) < 100


def test_correlate_holds_the_serious_ones_only(databases: tuple[Path, Path]) -> None:
    """One in ten of them is serious (tools/bench_database.py)."""
    peaks = []
    for serious_only in (False, True):
        archive = open_archive(databases[1])
        tracemalloc.start()
        found, _ = find_occurrences(databases[1], archive, None, serious_only=serious_only)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert len(found) == (MANY // 10 if serious_only else MANY)
    assert peaks[1] < peaks[0] / 2


def _count(steps: list[int]) -> int:
    steps.append(1)
    return 0  # go on


def test_the_oldest_within_are_found_without_a_look_at_all(databases: tuple[Path, Path]) -> None:
    """Counted in steps of SQLite's machine, which are the same on every computer."""
    (step,) = [one for one in retention._STEPS if "within" in one.words]
    counts = []
    for path in databases:
        with closing(sqlite3.connect(path, isolation_level=None)) as connection:
            steps: list[int] = []
            connection.set_progress_handler(partial(_count, steps), 10)
            connection.execute("BEGIN")
            first = connection.execute("SELECT min(id), count(*) FROM event").fetchone()
            steps.clear()
            assert step.take(connection, 99, 1_000_000) == retention.ROWS
            counts.append(len(steps))
            left = connection.execute(
                "SELECT min(id), count(*) FROM event WHERE verdict = 'within'"
            ).fetchone()
            # nine in ten are within: 500 of them are the oldest 555
            assert (first[0], left) == (1, (556, first[1] * 9 // 10 - retention.ROWS))
            connection.execute("ROLLBACK")
    assert counts[1] < 1.2 * counts[0]  # a look at all of them would be three times as much


def test_a_match_is_the_nearest_of_all() -> None:
    """Held against looking at every span; long ones lie over short ones, in any order."""
    dice = np.random.default_rng(8)
    starts = dice.uniform(0, 5000, 400) + 1.79e9
    spans = [(start, start + length) for start, length in zip(
        starts.tolist(), dice.exponential(8, 400).tolist(), strict=True)]  # fmt: skip
    moments = (dice.uniform(-50, 5050, 300) + 1.79e9).tolist()
    expected = []
    for number, moment in enumerate(moments):
        away = [max(start - moment, moment - end, 0.0) for start, end in spans]
        if min(away) <= 3.0:
            expected.append((number, min(away)))
    found = match(moments, spans, 3.0)
    assert [
        (pair.moment, max(spans[pair.span][0] - moments[pair.moment],
                          moments[pair.moment] - spans[pair.span][1], 0.0))
        for pair in found
    ] == expected  # fmt: skip
    assert 100 < len(found) < 300
