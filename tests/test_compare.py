"""Two watches compared: fates, clocks, and intervals against scipy."""

import sqlite3
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from daemon.records import Judgement, Kind, Verdict
from daemon.store import Store
from tests.after_watch_material import LENGTH_S, RUN_UTC_S, SNAPSHOT, fill, run
from tests.database_material import dip, judged, run_info
from tools.clocks import twin_chance
from tools.intervals import count_interval, same_rate_probability, share_interval


def watched(path: Path, dips: list[tuple[float, float]], shift_s: float = 0.0) -> None:
    """Ten hours with dips at these seconds, to these per cents; 70 % and more is within."""
    store = Store(path, "Europe/Vienna")
    start_s = RUN_UTC_S + shift_s
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=start_s))
    for number, (second, percent) in enumerate(dips, start=1):
        verdict = Verdict.MAY_STOP if percent < 70 else Verdict.WITHIN
        event = dip(number, start_s=second, value=2.3 * percent, value_pct=percent)
        judgement = Judgement("iti-2000", verdict, None)
        store.add(run_id, [judged(event, judgement=judgement, start_utc_s=start_s + second)], [])
    store.end_run(run_id, start_s + LENGTH_S, 1, 0)
    store.close()


def said(*words: object) -> str:
    found = run("compare", *words)
    assert found.exit_code == 0, found.output
    return " ".join(found.output.split())


def test_input_and_output(tmp_path: Path) -> None:
    """Four bad dips at the input: removed, reduced, passed on, made worse; and one added."""
    at_a = [(1000.0, 50.0), (5000.0, 40.0), (9000.0, 60.0), (14_000.0, 65.0), (20_000.0, 80.0)]
    at_b = [(5000.1, 85.0), (9000.1, 60.5), (14_000.1, 30.0), (30_000.0, 55.0)]
    watched(tmp_path / "a.db", at_a)
    watched(tmp_path / "b.db", at_b)
    text = said(tmp_path / "a.db", tmp_path / "b.db")
    assert text.startswith(
        "Does it do its work? Cannot be said yet. Of 4 events at A that passed the limit (compared "
        "with iti-2000), 2 were kept from B or brought within it (50 %, 95 % "
        "interval 15 to 85 %). 1 event that passed the limit came"
    )
    assert "removed 2 1 reduced 1 1 passed on 1 1 made worse 1 1 added at B 1 1" in text
    assert "B was taken to be 0.10 s ahead of that of A" in text


def test_each_disturbance_goes_with_its_own_kind(tmp_path: Path) -> None:
    """Also where B saw a swell begin nearer to A's transient than to A's swell, and vice versa."""
    for name, transient_s, swell_s in (("a.db", 1000.01, 1000.0), ("b.db", 1000.004, 1000.009)):
        store = Store(tmp_path / name, "Europe/Vienna")
        run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
        for number, (kind, second) in enumerate(
            [(Kind.TRANSIENT, transient_s), (Kind.SWELL, swell_s), (Kind.DIP, 1000.4)], start=1
        ):
            size_pct = 118.0 if kind is Kind.SWELL else 61.0
            event = dip(number, kind=kind, start_s=second, value_pct=size_pct)
            store.add(run_id, [judged(event, start_utc_s=RUN_UTC_S + second)], [])
        store.end_run(run_id, RUN_UTC_S + LENGTH_S, 1, 0)
        store.close()
    text = said(tmp_path / "a.db", tmp_path / "b.db")
    assert "removed 0 0 reduced 0 0 passed on 3 3 made worse 0 0 added at B 0 0" in text
    # Three in ten hours are 50.4 a week; Garwood's interval for 3 is 0.619 to 8.767.
    assert "passed the limit 3 50 (10 to 147) 3 50 (10 to 147)" in text


def test_clocks_that_differ(tmp_path: Path) -> None:
    times = (1000.0, 4700.0, 9900.0, 17_000.0, 21_000.0)
    watched(tmp_path / "a.db", [(t, 50.0) for t in times])
    watched(tmp_path / "b.db", [(t - 73.0, 80.0) for t in times[:4]])
    text = said(tmp_path / "a.db", tmp_path / "b.db")
    assert "73.00 s behind that of A" in text
    assert "removed 1 1 reduced 4 4" in text


def test_few_pairs_that_agree_closely_give_the_clocks(tmp_path: Path) -> None:
    """Four bad dips, B ahead by 3.7 s, in the default window of 1 s; one is added at B."""
    times = (1000.0, 4700.0, 9900.0, 17_000.0)
    watched(tmp_path / "a.db", [(t, 50.0) for t in times])
    later = [(t + 3.7 + 0.01 * n, 80.0 if n else 50.0) for n, t in enumerate(times[:3])]
    watched(tmp_path / "b.db", [*later, (25_000.0, 40.0)])
    text = said(tmp_path / "a.db", tmp_path / "b.db")
    assert "The clock of B was taken to be 3.71 s ahead of that of A: 3 pairs of events" in text
    assert "removed 1 1 reduced 2 2 passed on 1 1 made worse 0 0 added at B 1 1" in text


def test_two_twins_give_the_clocks(tmp_path: Path) -> None:
    watched(tmp_path / "a.db", [(1000.0, 50.0), (4700.0, 30.0), (9000.0, 60.0)])
    watched(tmp_path / "b.db", [(1003.7, 50.0), (4703.7, 30.0), (20_000.0, 20.0)])
    text = said(tmp_path / "a.db", tmp_path / "b.db")
    assert "taken to be 3.70 s ahead of that of A: 2 pairs of events" in text
    assert "removed 1 1 reduced 0 0 passed on 2 2 made worse 0 0 added at B 1 1" in text


def test_one_twin_is_a_doubt_said_first(tmp_path: Path) -> None:
    watched(tmp_path / "a.db", [(1000.0, 50.0), (4700.0, 30.0), (9000.0, 60.0)])
    watched(tmp_path / "b.db", [(996.3, 50.0)])
    text = said(tmp_path / "a.db", tmp_path / "b.db")
    assert text.startswith("Careful, the clocks of A and B may differ by 3.70 s")
    assert "ask again with --window 5s. Does it do its work? Cannot be said yet." in text
    again = said(tmp_path / "a.db", tmp_path / "b.db", "--window", "5s")
    assert "Careful" not in again
    assert "removed 2 2 reduced 0 0 passed on 1 1" in again


@pytest.mark.parametrize(("n_alike", "n_agreeing", "common_s"), [(3, 2, 120.0), (40, 2, 1200.0)])
def test_chance_of_twins_is_never_said_too_small(
    n_alike: int, n_agreeing: int, common_s: float
) -> None:
    """Against differences drawn as two series in one time have them: triangular, cut at 300 s.

    The bound adds up probabilities of overlapping cases, so it may only lie above, here by less
    than three times; 20 000 draws know the frequency within 0.3 percentage points.
    """
    generator = np.random.default_rng(7)
    drawn = generator.uniform(0, common_s, (2, 20_000, 6 * n_alike))
    differences = drawn[0] - drawn[1]
    hits = 0
    for row in differences:
        kept = np.sort(row[np.abs(row) <= 300.0][:n_alike])
        hits += bool((kept[n_agreeing - 1 :] - kept[: 1 - n_agreeing] <= 0.05).any())
    share, bound = hits / 20_000, twin_chance(n_alike, n_agreeing, common_s)
    assert share - 0.003 <= bound <= 3 * share + 0.003


def test_before_and_after(tmp_path: Path) -> None:
    watched(tmp_path / "a.db", [(1000.0 * n, 50.0) for n in range(1, 13)])
    watched(tmp_path / "b.db", [(1000.0, 50.0)], shift_s=86_400.0)
    text = said(tmp_path / "a.db", tmp_path / "b.db")
    assert text.startswith(
        "Is it better at B? Yes, fewer events pass the limit: 12 at A and 1 at B. Were nothing "
        "changed, counts would differ as much or more in 0.3 % of such pairs"
    )
    few = tmp_path / "c.db"
    watched(few, [(1000.0, 50.0)], shift_s=200_000.0)
    assert said(tmp_path / "b.db", few).startswith(
        "Is it better at B? Cannot be said yet: 1 at A and 1 at B"
    )


def test_what_is_beyond_only_behind_it_is_no_riddle(tmp_path: Path) -> None:
    """Within the limit at A; at B one of them is beyond it, and another one came."""
    watched(tmp_path / "a.db", [(5000.0, 80.0), (9000.0, 85.0)])
    watched(tmp_path / "b.db", [(5000.0, 50.0), (9000.0, 85.0), (20_000.0, 40.0)])
    text = said(tmp_path / "a.db", tmp_path / "b.db")
    assert text.startswith(
        "Does it do its work? No. In the common time no event at A passed the limit, but at B. 1 "
        "event within it at A passed the limit at B: made worse. 1 event that passed the "
        "limit came in addition."
    )
    watched(tmp_path / "c.db", [(5000.0, 85.0)])
    text = said(tmp_path / "a.db", tmp_path / "c.db")
    assert text.startswith(
        "Does it do its work? Cannot be said yet. No event at A passed the limit in the common time"
    )


def test_one_made_worse_is_not_taken_from_those_kept(tmp_path: Path) -> None:
    """Two beyond at A, one of them kept; a third within at A and beyond at B."""
    watched(tmp_path / "a.db", [(1000.0, 50.0), (5000.0, 50.0), (9000.0, 80.0)])
    watched(tmp_path / "b.db", [(5000.0, 50.0), (9000.0, 40.0)])
    assert "1 was kept from B or brought within it (50 %" in said(
        tmp_path / "a.db", tmp_path / "b.db"
    )


def test_how_the_two_are_taken_is_said(tmp_path: Path) -> None:
    """The times are those of `date -d @1795587333`: 2026-11-25 07:15 in Vienna, and 10 h later."""
    watched(tmp_path / "a.db", [(1000.0, 50.0)])
    watched(tmp_path / "b.db", [(1000.0, 50.0)])
    watched(tmp_path / "c.db", [(1000.0, 50.0)], shift_s=86_400.0)
    at_once = said(tmp_path / "a.db", tmp_path / "b.db")
    assert "A is taken for the input, B the output, as they watched at the same time." in at_once
    assert "A: 2026-11-25 07:15 to 2026-11-25 17:15." in at_once
    later = said(tmp_path / "a.db", tmp_path / "c.db")
    assert "A is taken for before, B after, as they watched at different times." in later
    assert "B: 2026-11-26 07:15 to 2026-11-26 17:15." in later
    assert "Careful: A was watched later" not in later
    assert "Careful: A was watched later than B" in said(tmp_path / "c.db", tmp_path / "a.db")
    forced = said(tmp_path / "a.db", tmp_path / "b.db", "--as", "before-after")
    assert "Careful: both watched at the same time for 10 h" in forced


def test_what_is_left_out_is_said(tmp_path: Path) -> None:
    watched(tmp_path / "a.db", [(1000.0, 50.0)])
    one_event(tmp_path / "b.db", Kind.DISTORTION, "L1", 9.0)
    text = said(tmp_path / "a.db", tmp_path / "b.db", "--profile", "iti-2000")
    assert "Not compared, as they are no single events of voltage: at B 1 distortion." in text


def test_equal_counts_read_as_such(tmp_path: Path) -> None:
    for name, shift_s in (("a.db", 0.0), ("b.db", 86_400.0)):
        watched(tmp_path / name, [(1000.0, 80.0)], shift_s=shift_s)
    assert said(tmp_path / "a.db", tmp_path / "b.db").startswith(
        "Is it better at B? Cannot be said yet: no event passed the limit, at A or at B."
    )


def one_event(path: Path, kind: Kind, channel: str, percent: float) -> None:
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
    event = dip(1, kind=kind, channel=channel, start_s=1000.0, value_pct=percent)
    store.add(run_id, [judged(event, start_utc_s=RUN_UTC_S + 1000.0)], [])
    store.end_run(run_id, RUN_UTC_S + LENGTH_S, 1, 0)
    store.close()


@pytest.mark.parametrize(
    ("kind", "channel", "is_pair"),
    [
        (Kind.SWELL, "L2", False),
        (Kind.SWELL, "L1", False),
        (Kind.DIP, "L2", True),  # through a transformer that turns the phases
        (Kind.INTERRUPTION, "L1", True),
        (Kind.TRANSIENT, "L1", True),
    ],
)
def test_what_sank_is_not_paired_with_what_rose(
    tmp_path: Path, kind: Kind, channel: str, is_pair: bool
) -> None:
    one_event(tmp_path / "a.db", Kind.DIP, "L1", 60.0)
    one_event(tmp_path / "b.db", kind, channel, 115.0 if kind is Kind.SWELL else 60.0)
    text = said(tmp_path / "a.db", tmp_path / "b.db")
    assert ("removed 0 0" in text) == ("added at B 0 0" in text) == is_pair


def settings(path: Path, old: str, new: str) -> Path:
    connection = sqlite3.connect(path)
    connection.execute("UPDATE settings SET text = replace(text, ?, ?)", (old, new))
    connection.commit()
    connection.close()
    return path


@pytest.mark.parametrize(
    ("old", "new", "supply"),
    [
        ('"nominal_v": 230.0', '"nominal_v": 120.0', "120 V, 50 Hz"),
        ('"frequency_hz": 50', '"frequency_hz": 60', "230 V, 60 Hz"),
    ],
)
def test_another_supply_is_refused(tmp_path: Path, old: str, new: str, supply: str) -> None:
    watched(tmp_path / "a.db", [(1000.0, 50.0)])
    watched(tmp_path / "b.db", [(1000.0, 50.0)])
    settings(tmp_path / "b.db", old, new)
    for relation in ("in-out", "before-after"):
        found = run("compare", tmp_path / "a.db", tmp_path / "b.db", "--as", relation)
        assert found.exit_code == 2
        assert f"b.db one of {supply}: their events cannot be compared" in found.output


def test_other_thresholds_are_said(tmp_path: Path) -> None:
    watched(tmp_path / "a.db", [(1000.0, 50.0)])
    watched(tmp_path / "b.db", [(1000.0, 50.0)])
    assert "Careful" not in said(tmp_path / "a.db", tmp_path / "b.db")
    settings(tmp_path / "b.db", '"dip_pct": 90.0', '"dip_pct": 80.0')
    text = said(tmp_path / "a.db", tmp_path / "b.db")
    assert "Careful: A kept dips below 90 %, B dips below 80 %." in text
    assert "so dips are not comparable" in text


def test_minutes_against_days_are_said_and_not_stretched_to_a_week(tmp_path: Path) -> None:
    for name, hours, shift_s in (("long.db", 8 * 24, 0.0), ("short.db", 0.1, 1e6)):
        store = Store(tmp_path / name, "Europe/Vienna")
        start_s = RUN_UTC_S + shift_s
        run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=start_s))
        event = dip(1, start_s=60.0)
        store.add(run_id, [judged(event, start_utc_s=start_s + 60.0)], [])
        store.end_run(run_id, start_s + hours * 3600, 1, 0)
        store.close()
    text = said(tmp_path / "long.db", tmp_path / "short.db")
    assert "Careful, indicative only: A was watched for 8 days 0 h, B for 6 min 00 s." in text
    # One in eight days is 0.875 a week; Garwood's interval for 1 is 0.0253 to 5.572.
    assert "passed the limit 1 0.88 (0.022 to 4.9) 1 –" in text
    assert "Rates a week are indicative: B watched for less than a week. None is given" in text


@pytest.mark.parametrize("count", [0, 1, 5, 40, 300])
def test_count_interval_is_garwoods(count: int) -> None:
    """Garwood 1936 through the chi-square distribution of scipy."""
    low, high = count_interval(count)
    assert low == pytest.approx(stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0, rel=1e-9)
    assert high == pytest.approx(stats.chi2.ppf(0.975, 2 * count + 2) / 2, rel=1e-9)


@pytest.mark.parametrize(("count", "whole"), [(0, 5), (3, 5), (5, 5), (17, 200)])
def test_share_interval_is_wilsons(count: int, whole: int) -> None:
    expected = stats.binomtest(count, whole).proportion_ci(method="wilson")
    assert share_interval(count, whole) == pytest.approx((expected.low, expected.high), abs=1e-9)


@pytest.mark.parametrize(("a", "b"), [(0, 0), (12, 1), (3, 3), (0, 7), (40, 22)])
def test_two_counts_are_tested_exactly(a: int, b: int) -> None:
    expected = 1.0 if a + b == 0 else stats.binomtest(a, a + b, 0.4).pvalue
    assert same_rate_probability(a, 2.0, b, 3.0) == pytest.approx(expected, rel=1e-9)


def test_what_cannot_be_compared_is_refused(tmp_path: Path) -> None:
    fill(tmp_path / "a.db")
    watched(tmp_path / "b.db", [], shift_s=1e6)
    Store(tmp_path / "empty.db", "UTC").close()
    for words, message in (
        ([tmp_path / "a.db", tmp_path / "a.db"], "named twice"),
        ([tmp_path / "a.db", tmp_path / "empty.db"], "nothing was watched"),
        ([tmp_path / "a.db", tmp_path / "b.db", "--as", "in-out"], "never watched at the same"),
        ([tmp_path / "a.db", tmp_path / "missing.db"], "cannot be read"),
        ([tmp_path / "a.db", tmp_path / "b.db", "--window", "x", "--as", "in-out"], "--window"),
    ):
        found = run("compare", *words)
        assert found.exit_code == 2
        assert message in found.output
