"""Failures against events: pairs, chance, clocks, and what is said first."""

import re
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from daemon.errors import InputError
from daemon.records import LogEntry, LogKind
from daemon.spans import common, joined, without
from daemon.spool import SHUTDOWN
from daemon.store import Store
from tests.after_watch_material import LENGTH_S, RUN_UTC_S, fill, run
from tests.database_material import run_info
from tools.failure_options import parse_span
from tools.lag_words import lag_words
from tools.matching import chance, find_offset, match

VIENNA = ZoneInfo("Europe/Vienna")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    fill(tmp_path / "a.db")
    return tmp_path / "a.db"


def written(tmp_path: Path, text: str | bytes) -> Path:
    file = tmp_path / "failures.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return file


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "is empty"),
        ("\n\n# nothing\n", "is empty"),
        ("press stopped\npress started\n", "no column of times"),
        (";\n;\n", "no column of times"),  # nothing but separators
        ("2026-11-25 08:15:33\n", "give --zone"),
        ("2026-11-25T08:15:33Z\nlater\n2026-11-25T08:15:34Z\n", "line 2: 'later' is not a time"),
        ("2026-02-30T08:15:33Z\n", "line 1"),
        ("2026-11-25T25:15:33Z\n", "line 1"),
        ("13:15 PM\n", "line 1: '13:15 PM' is not a time that is read"),
        ("time;message\n", "holds no failures, only a heading: 'time, message'"),
        ("time\n2026-11-25T08:15:33Z\n11/25/26 08:15:33\n", "line 3"),
        ("2026-11-25 08:15:33 CET\n", "line 1: '2026-11-25 08:15:33 CET' has a zone in letters"),
        ("2026-11-25 08:15 CET\n2026-11-25T08:15:33Z\n", "line 1"),
        ("2026-11-25 08:15:33 Mars/Base\n", "there is no zone Mars/Base"),
        (b"SQLite format 3\0", "not a text file"),
    ],
)
def test_what_cannot_be_read_is_refused(
    path: Path, tmp_path: Path, content: str | bytes, message: str
) -> None:
    found = run("correlate", path, written(tmp_path, content))
    assert found.exit_code == 2
    assert message in found.output
    assert len(found.output.splitlines()) == 1


def test_wrong_words_are_refused(path: Path, tmp_path: Path) -> None:
    file = written(tmp_path, "2026-11-25T08:15:33Z\n")
    for words, message in (
        ([], "holds no marks"),
        ([file, "--window", "soon"], "--window"),
        ([file, "--window", "0s"], "--window"),
        ([file, "--zone", "Mars/Base"], "--zone"),
        ([file, "--profile", "none-such"], "none-such"),
        ([tmp_path / "missing.csv"], "cannot be read"),
        ([file, "--column", "nix"], "--column nix is not there; its columns are: "),
    ):
        found = run("correlate", path, *words)
        assert found.exit_code == 2
        assert message in found.output


def test_the_columns_there_are_are_named(path: Path, tmp_path: Path) -> None:
    file = written(tmp_path, "when;machine;what\n2026-11-25 08:15:33;Press;stopped\n")
    for column, said in (("nix", "is not there"), ("machine", "holds no times"), ("4", "is not")):
        found = run("correlate", path, file, "--zone", "UTC", "--column", column)
        assert found.exit_code == 2
        assert f"--column {column} {said}" in found.output
        assert "its columns are: when, machine, what (or their numbers, 1 to 3)" in found.output


def test_one_line_with_a_time_is_a_failure_and_no_heading(path: Path, tmp_path: Path) -> None:
    for content in ("2026-11-25T08:15:33+01:00", "2026-11-25T08:15:33+01:00;stopped\n"):
        found = run("correlate", path, written(tmp_path, content))
        assert found.exit_code == 0, found.output
        assert found.output.startswith("The failure lies within 5 s of an event")


def local(second: float) -> str:
    return f"{datetime.fromtimestamp(RUN_UTC_S + second, VIENNA):%Y-%m-%d %H:%M:%S.%f}"


def test_the_answer(path: Path, tmp_path: Path) -> None:
    """Two of three near a dip; the third elsewhere; one dip without a failure; one unwatched."""
    times = [3601.0, 15_000.0, 20_001.0, 25_100.0]
    content = "when,what\n" + "".join(f"{local(t)},stop {n}\n" for n, t in enumerate(times))
    found = run("correlate", path, written(tmp_path, content), "--zone", "Europe/Vienna")
    assert found.exit_code == 0, found.output
    text = " ".join(found.output.split())
    assert text.startswith(
        "2 of 4 failures lie within 5 s of an event that passed the limit (compared with "
        "iti-2000); by chance 0.03 %; 1 of them lies in time that was not watched: nothing can "
        "be said of it. The supply is the likely cause of 2 of 4 failures: "
    )
    assert "For the failure left look at the machine first" in text
    assert re.search(r"not watched: 1 - \S+ \S+ stop 3 \(not watched: samples lost\)", text)
    assert "1.0 s after the start of event 1, dip (sag) to 140.3 V for 0.20 s on L1" in text
    assert "Failures without an event near them: 1" in text
    assert "stop 1" in text
    assert " stop 2, 0.8 s after the start of event 3" in text
    assert re.search(r"near them( \(1 failure set aside\))?: 1 - event 2", text)
    everything = run("correlate", path, written(tmp_path, content), "--zone", "+01:00", "--all")
    assert "event 4" in everything.output


def test_marks_are_failures_too(path: Path) -> None:
    store = Store(path, "Europe/Vienna")
    store.begin_run(run_info(started_utc_s=RUN_UTC_S + LENGTH_S))
    store.add(1, [], [LogEntry(LogKind.MARK, RUN_UTC_S + 3602.0, None, None, "press down")])
    store.close()
    found = run("correlate", path, "--window", "1.9s")
    assert found.output.startswith("The failure lies within 1.90 s after an event")


def simulated_chance(
    moments: list[float], spans: list[tuple[float, float]], window_s: float,
    watched: list[tuple[float, float]],
) -> float:  # fmt: skip
    """Another way: shift on the clock of watched seconds, and count with plain comparisons."""
    generator = np.random.default_rng(7)
    edges = np.cumsum([0.0] + [end - start for start, end in watched])

    def at(place: float) -> float:
        number = min(int(np.searchsorted(edges, place, side="right")) - 1, len(watched) - 1)
        return float(watched[number][0] + (place - edges[number]))

    def count(times: list[float]) -> int:
        return sum(any(a - window_s <= t <= b + window_s for a, b in spans) for t in times)

    inside = [
        edges[n] + t - start for t in moments for n, (start, end) in enumerate(watched)
        if start <= t <= end
    ]  # fmt: skip
    observed = count(moments)
    hits = 0
    for shift in generator.uniform(0, edges[-1], 20_000):
        hits += count([at((place + shift) % edges[-1]) for place in inside]) >= observed
    return hits / 20_000


@pytest.mark.parametrize("n_near", [1, 2])
def test_chance_agrees_with_an_independent_simulation(n_near: int) -> None:
    """20 000 shifts: four standard errors of the share, plus 1e-4 for shares near zero."""
    watched = [(0.0, 4000.0), (4600.0, 10_000.0)]
    spans = [(500.0, 520.0), (900.0, 900.2), (3995.0, 3999.0), (5000.0, 5300.0), (9000.0, 9001.0)]
    moments = [501.0, 905.0, 7000.0] if n_near == 2 else [5004.0, 7000.0, 7700.0, 4200.0]
    expected = simulated_chance(moments, spans, 10.0, watched)
    found = chance(moments, spans, 10.0, watched)
    error = 4 * np.sqrt(expected * (1 - expected) / 20_000) + 1e-4
    assert found.method.startswith("exact")
    assert abs(found.probability - expected) < error


def test_chance_of_one_failure_is_the_covered_share() -> None:
    """Closed form: one moment, spans of 10 s ± 5 s in 1000 s: 3 x 20 / 1000."""
    spans = [(100.0, 110.0), (300.0, 310.0), (995.0, 1005.0)]
    found = chance([104.0], spans, 5.0, [(0.0, 1000.0)])
    covered = 20.0 + 20.0 + 10.0  # the last one ends with the watch
    assert found.probability == pytest.approx(covered / 1000, abs=1e-12)
    assert found.expected == pytest.approx(covered / 1000, abs=1e-12)
    assert chance([200.0], spans, 5.0, [(0.0, 1000.0)]).probability == 1.0
    ahead = chance([104.0], spans, 5.0, [(0.0, 1000.0)], ahead_s=1.0)
    assert ahead.probability == pytest.approx((16.0 + 16.0 + 6.0) / 1000, abs=1e-12)


def test_many_moments_are_shifted_at_random(monkeypatch: pytest.MonkeyPatch) -> None:
    moments = [100.0 * n for n in range(1, 9)]
    spans = [(200.0 * n, 200.0 * n + 1) for n in range(1, 5)]
    exact = chance(moments, spans, 2.0, [(0.0, 1000.0)])
    monkeypatch.setattr("tools.matching.MOST_EXACT", 0)
    drawn = chance(moments, spans, 2.0, [(0.0, 1000.0)])
    assert drawn.method == "Monte Carlo, 20000 random shifts"
    error = 4 * np.sqrt(exact.probability / 20_000)
    assert drawn.probability == pytest.approx(exact.probability, abs=error)


def test_a_difference_of_clocks_is_found_and_taken_out(path: Path, tmp_path: Path) -> None:
    """Three failures half a second after the dips, on a clock 3612 s ahead."""
    times = [t + 3612.5 for t in (3600.0, 9000.5, 20_000.25)]
    content = "".join(f"{local(t)}\n" for t in times)
    file = written(tmp_path, content)
    found = " ".join(run("correlate", path, file, "--zone", "Europe/Vienna").output.split())
    assert found.startswith("None of 3 failures lies within 5 s")
    assert "3612 s (1.00 h) ahead of the monitor's: 3 failures then agree" in found
    assert "--offset 3612.5s" in found
    again = run("correlate", path, file, "--zone", "Europe/Vienna", "--offset", "3612.5s").output
    assert again.startswith("3 of 3 failures lie within 5 s")


def test_what_is_advised_takes_in_what_was_given(path: Path, tmp_path: Path) -> None:
    """Failures half a second after the dips, on a clock 3612 s ahead; or on the right clock."""
    for ahead_s, given, advised in (
        (3612.0, "100s", "To take it out: --offset 3612.5s (instead of 100s)"),
        (0.0, "1h", "Leave out --offset: 0.5 s is within --window."),
    ):
        times = [t + ahead_s + 0.5 for t in (3600.0, 9000.5, 20_000.25)]
        file = written(tmp_path, "".join(f"{local(t)}\n" for t in times))
        found = run("correlate", path, file, "--zone", "Europe/Vienna", "--offset", given)
        assert advised in " ".join(found.output.split())
    assert "clock is taken to be 3600 s ahead" in " ".join(found.output.split())
    back = run("correlate", path, file, "--zone", "Europe/Vienna", "--offset", "-1h")
    assert "clock is taken to be 3600 s behind" in " ".join(back.output.split())


def test_a_whole_hour_asks_for_the_zone(path: Path, tmp_path: Path) -> None:
    """Vienna has UTC+1 in November: read as UTC, its times are an hour ahead."""
    times = [t + 0.5 for t in (3600.0, 9000.5, 20_000.25)]
    file = written(tmp_path, "".join(f"{local(t)}\n" for t in times))
    found = " ".join(run("correlate", path, file, "--zone", "UTC").output.split())
    assert "That is about 1 h: is the zone right (--zone)?" in found


def test_failures_outside_the_watch_are_listed_with_the_reason(path: Path, tmp_path: Path) -> None:
    content = "".join(f"{local(t)}\n" for t in (-60.0, LENGTH_S + 60.0))
    found = run("correlate", path, written(tmp_path, content), "--zone", "Europe/Vienna")
    text = " ".join(found.output.split())
    assert text.startswith("Both failures lie in time that was not watched")
    assert "(before the watch)" in text
    assert "(after the watch)" in text
    assert "without a" not in text


def test_whole_minutes_count_as_near_within_one(path: Path, tmp_path: Path) -> None:
    """The dip begins 3600 s after the run, at 08:15:33.123: noted down as 08:15, 33 s before it."""
    file = written(tmp_path, "2026-11-25 08:15\n2026-11-25 09:01\n")
    words = ["correlate", path, file, "--zone", "Europe/Vienna"]
    usual = " ".join(run(*words).output.split())
    assert usual.startswith("1 of 2 failures lies within 1 min of an event")
    assert "times are whole minutes: so an event within 1 min counts as near, instead of 5" in usual
    told = " ".join(run(*words, "--window", "5s").output.split())
    assert told.startswith(
        "None of 2 failures lies within 5 s of an event that passed the limit (compared with "
        "iti-2000), but its times are too coarse to tell."
    )
    assert "whole minutes, too coarse for a window of 5 s" in told
    assert "point to the supply" not in told
    assert "ask again with one of 1 min" in told
    assert "whole minutes" not in run(*words, "--window", "60s").output


def test_what_is_not_judged_comes_after_the_answer(path: Path, tmp_path: Path) -> None:
    file = written(tmp_path, "2026-11-25T08:00:01Z\n2026-11-25T09:00:01Z\n")
    text = " ".join(run("correlate", path, file, "--profile", "ieee-519-lv").output.split())
    assert text.startswith("2 failures, but no event that passed the limit")
    assert text.index("cannot be said") < text.index("events are not judged")


def test_lost_samples_are_told_once(path: Path, tmp_path: Path) -> None:
    """As the monitor writes it into its log."""
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info(started_utc_s=RUN_UTC_S + LENGTH_S))
    lost = "190000 samples were not seen: samples lost"
    unplugged = "8000 samples were not seen: the device went away"
    begin_s = RUN_UTC_S + LENGTH_S
    gaps = [
        LogEntry(LogKind.UNOBSERVED, begin_s + 60.0 * n, 60.0 * n, 30.0, text)
        for n, text in ((1, lost), (2, unplugged))
    ]
    store.add(run_id, [], gaps)
    store.end_run(run_id, begin_s + 600.0, 1, 0)
    store.close()
    content = "".join(f"{local(LENGTH_S + t)}\n" for t in (70.0, 130.0))
    found = run("correlate", path, written(tmp_path, content), "--zone", "Europe/Vienna").output
    assert "(not watched: 190 000 samples were lost)" in found
    assert "(not watched: the device went away)" in found


def marked(path: Path, *moments_s: float, text: str = "oven stopped") -> None:
    """A run that still watches, with marks so many seconds after `RUN_UTC_S`."""
    store = Store(path, "Europe/Vienna")
    store.begin_run(run_info(started_utc_s=RUN_UTC_S + LENGTH_S))
    entries = [LogEntry(LogKind.MARK, RUN_UTC_S + m, None, None, text) for m in moments_s]
    store.add(1, [], entries)
    store.close()


@pytest.mark.parametrize(
    ("after_s", "is_near"),
    [(0.1, True), (119.0, True), (121.0, False), (-0.9, True), (-4.3, False)],
)
def test_a_mark_comes_after_the_failure(path: Path, after_s: float, is_near: bool) -> None:
    """The dip begins at 3600 s and lasts 0.2 s; what follows a mark did not cause it."""
    marked(path, 3600.0 + after_s + (0.2 if after_s > 1 else 0.0))
    found = " ".join(run("correlate", path).output.split())
    verb = "lies" if is_near else "does not lie"
    assert found.startswith(f"The failure {verb} within 2 min after an event that passed")
    assert "events count from 2 min before a mark to 1 s after it" in found


def test_a_mark_just_now_is_not_after_the_watch(path: Path) -> None:
    marked(path, LENGTH_S + 2.0)
    found = " ".join(run("correlate", path).output.split())
    assert "after the watch" not in found
    assert "(after what the monitor has written so far; if it still watches, ask again" in found


def test_the_shutdown_button_is_no_failure(path: Path) -> None:
    marked(path, 3601.0, text=SHUTDOWN)
    assert "holds no marks" in run("correlate", path).output


def test_the_same_mark_twice_is_one_failure(path: Path) -> None:
    marked(path, 3601.0, 3601.0)
    found = " ".join(run("correlate", path).output.split())
    assert found.startswith("The failure lies within 2 min after")
    assert "1 entry repeats the time of another" in found


@pytest.mark.parametrize(
    ("text", "message"),
    [("2m", "ms, s, min, h or d"), ("0s", "more than 0 and at most 1d"),
     ("-5s", "more than 0 and at most 1d"), ("1000d", "more than 0 and at most 1d")],
)  # fmt: skip
def test_a_wrong_span_is_told_what_is_wrong(text: str, message: str) -> None:
    with pytest.raises(InputError, match=message):
        parse_span("--window", text)


def test_spans_and_lags_in_words() -> None:
    assert parse_span("--window", "1d") == 86_400.0
    assert parse_span("--offset", "-2d", below_zero=True) == -172_800.0
    with pytest.raises(InputError, match="from -366d to 366d"):
        parse_span("--offset", "400d", below_zero=True)
    assert [lag_words(lag) for lag in (2.0, -15.0, 5563.0)] == [
        "2.0 s after", "15.0 s before", "1 h 32 min after",
    ]  # fmt: skip


@pytest.mark.parametrize(("n_seen", "offset_s"), [(5, None), (10, 3.0)])
def test_a_fixed_rhythm_fits_at_many_differences(n_seen: int, offset_s: float | None) -> None:
    """Ten starts, one every 10 s. The first five of them 3 s late agree at 3, -7, ... -47 s alike;
    all ten only at 3 s (by counting)."""
    starts = [10.0 * number for number in range(1, 11)]
    spans = [(start, start + 0.3) for start in starts]
    found = find_offset([start + 3.0 for start in starts[:n_seen]], spans, 0.05, 300.0)
    assert (None if found is None else found.offset_s) == pytest.approx(offset_s)


def test_no_difference_of_clocks_is_made_up() -> None:
    """Of 30 unrelated series at most two may look like one: chance is kept below 2 %."""
    generator = np.random.default_rng(3)
    spans = [(float(t), float(t)) for t in np.sort(generator.uniform(0, 600_000, 12))]
    found = [
        find_offset(np.sort(generator.uniform(0, 600_000, 6)).tolist(), spans, 5.0, 7200.0)
        for _ in range(30)
    ]
    assert sum(one is not None for one in found) <= 2


def test_pairs_are_with_the_nearest_span() -> None:
    pairs = match([10.0, 21.0, 60.0], [(0.0, 12.0), (20.0, 20.5), (23.0, 30.0)], 5.0)
    assert [(p.moment, p.span, p.lag_s) for p in pairs] == [(0, 0, 10.0), (1, 1, 1.0)]
    assert match([1.0], [], 5.0) == []
    ahead = match([99.0, 101.0, 120.5, 121.5], [(100.0, 101.0)], 20.0, ahead_s=0.5)
    assert [(p.moment, p.lag_s) for p in ahead] == [(1, 1.0), (2, 20.5)]


def test_spans() -> None:
    assert joined([(5.0, 6.0), (1.0, 2.0), (2.001, 3.0)]) == [(1.0, 3.0), (5.0, 6.0)]
    assert without([(0.0, 10.0)], [(-1.0, 1.0), (3.0, 4.0), (9.0, 12.0)]) == [
        (1.0, 3.0),
        (4.0, 9.0),
    ]
    assert common([(0.0, 2.0), (3.0, 9.0)], [(1.0, 4.0)]) == [(1.0, 2.0), (3.0, 4.0)]
