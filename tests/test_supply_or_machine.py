"""Supply or machine: the answer in words, and the advice that follows from it."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.archive import open_archive
from daemon.records import Event, Judgement, Kind, Verdict
from daemon.store import Store
from tests.after_watch_material import RUN_UTC_S, SNAPSHOT, fill, run
from tests.database_material import dip, judged, run_info
from tools.correlate import coverage_of
from tools.correlation import Correlation, Question, correlate, find_occurrences
from tools.failure_log import Failure, FailureLog
from tools.findings import Finding, find_findings
from tools.matching import ClockOffset
from tools.supply_or_machine import Answer, answer_words, find_answer, sensitive_words

SERIOUS_S, SHALLOW_S, QUIET_S = (3600.0, 9000.5, 20_000.25), 30_000.0, (12_000.0, 15_000.0)


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three serious dips and a shallow one in ten hours."""
    found: Path = tmp_path_factory.mktemp("blame") / "a.db"
    fill(found)
    return found


def held(path: Path, *moments_s: float) -> Correlation:
    archive = open_archive(path)
    log = FailureLog(tuple(Failure(RUN_UTC_S + m, "", n) for n, m in enumerate(moments_s)), ())
    return correlate(path, archive, log, coverage_of(path, archive), Question(5.0))


@pytest.mark.parametrize(
    ("moments_s", "answer", "words"),
    [
        (SERIOUS_S[:2], Answer.SUPPLY, "The supply is the likely cause of both failures: they"),
        (SERIOUS_S[:1], Answer.SUPPLY, "The supply is the likely cause of the failure: it came"),
        ((SERIOUS_S[0], *QUIET_S), Answer.BOTH, "For the other 2 look at the machine first"),
        (QUIET_S, Answer.MACHINE, "not point to the supply, nor away from it: none of 2 failures"),
        ((), Answer.OPEN, "cannot be said: there is no failure in the log"),
    ],
)
def test_the_answer(path: Path, moments_s: tuple[float, ...], answer: Answer, words: str) -> None:
    """Three dips of 0.2 s, near within 5 s, cover 31 s of 35 400: chance is below 1 % for one."""
    found = held(path, *moments_s)
    assert find_answer(found) is answer
    assert words in answer_words(found)


def test_what_chance_gives_as_well_leaves_it_open(path: Path) -> None:
    found = held(path, *SERIOUS_S[:2])
    likely = replace(found, chance=replace(found.chance, probability=0.06))
    assert find_answer(likely) is Answer.OPEN
    assert "by chance as many do in 6 % of all cases" in answer_words(likely)


def test_clocks_that_differ_and_a_blind_profile_leave_it_open(path: Path) -> None:
    found = held(path, *QUIET_S)
    shifted = replace(found, offset=ClockOffset(3600.0, 1.0, 3, 0, 0.001))
    assert "clocks seem to differ" in answer_words(shifted)
    found_at = [
        find_findings(open_archive(path), found.occurrences, one) for one in (found, shifted)
    ]
    places = [[one.finding for one in each] for each in found_at]
    assert places[0][0] is places[1][-1] is Finding.FAILURES_ELSEWHERE
    assert len(places[1]) > 1
    blind = replace(found, occurrences=(), unjudged="4 events are not judged")
    assert find_answer(blind) is Answer.OPEN
    assert find_answer(replace(blind, unjudged="")) is Answer.MACHINE


def test_a_failure_near_an_event_within_its_limit_is_not_passed_over(path: Path) -> None:
    every, _ = find_occurrences(path, open_archive(path), None, serious_only=False)
    within = [one for one in every if one.verdict is Verdict.WITHIN]
    said = sensitive_words(held(path, SHALLOW_S + 1.0), within)
    assert f"did come within 5 s of event {within[0].worst.id}, which passed no" in said
    assert sensitive_words(held(path, *QUIET_S), within) == ""
    shifted = replace(held(path, SHALLOW_S + 1.0), offset=ClockOffset(3600.0, 1.0, 3, 0, 0.001))
    assert sensitive_words(shifted, within) == ""  # what is near which is not known yet


def advice_of(
    tmp_path: Path, events: Sequence[tuple[Event, Verdict | None]], *moments_s: float
) -> list[tuple[Finding, list[int]]]:
    """The findings in their order, with the numbers of the events they rest on."""
    path = tmp_path / "b.db"
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
    kept = [
        judged(
            replace(event, group=number),
            start_utc_s=RUN_UTC_S + event.start_s,
            judgement=Judgement("iti-2000", verdict, None),
        )
        for number, (event, verdict) in enumerate(events, start=1)
    ]
    store.add(run_id, kept, [])
    store.end_run(run_id, RUN_UTC_S + 36_000, 1, 0)
    store.close()
    archive = open_archive(path)
    every, _ = find_occurrences(path, archive, None, serious_only=False)
    failures = held(path, *moments_s) if moments_s else None
    found = find_findings(archive, every, failures)
    return [(one.finding, [each.worst.id for each in one.basis]) for one in found]


STOP, DAMAGE = Verdict.MAY_STOP, Verdict.MAY_DAMAGE


def rectangle(number: int, value_pct: float, duration_s: float, kind: Kind = Kind.DIP) -> Event:
    start_s = 1000.0 * number
    return dip(
        number, kind=kind, value=2.3 * value_pct, value_pct=value_pct, duration_s=duration_s,
        start_s=start_s, extreme_s=start_s,
    )  # fmt: skip


def test_each_advice_names_its_events_the_worst_first(tmp_path: Path) -> None:
    events = [
        (rectangle(1, 70.0, 0.4), STOP),
        (rectangle(2, 45.0, 0.3), STOP),  # below half: nothing without stored energy bridges it
        (rectangle(3, 130.0, 0.7, Kind.SWELL), DAMAGE),
        (rectangle(4, 0.0, 1.4, Kind.INTERRUPTION), STOP),
        (rectangle(5, 85.0, 0.1), Verdict.WITHIN),
        (rectangle(6, 114.0, 0.7, Kind.SWELL), None),
    ]
    assert advice_of(tmp_path, events) == [
        (Finding.SWELLS, [3]),
        (Finding.INTERRUPTIONS, [4, 2]),
        (Finding.SHORT_DIPS, [1]),
        (Finding.NOT_JUDGED, [6]),
    ]


def test_the_tap_is_named_only_for_what_lasts(tmp_path: Path) -> None:
    """A minute or more is a long overvoltage (IEEE 1159); shorter, a tap is not to blame."""
    brief = advice_of(tmp_path, [(rectangle(1, 114.0, 59.0, Kind.SWELL), DAMAGE)])
    assert brief == [(Finding.SWELLS, [1])]
    (tmp_path / "b.db").unlink()
    steady = advice_of(tmp_path, [(rectangle(1, 114.0, 61.0, Kind.SWELL), DAMAGE)])
    assert steady == [(Finding.STEADY_HIGH, [1])]


def test_no_match_puts_the_machine_first_and_some_put_it_last(tmp_path: Path) -> None:
    events = [(rectangle(1, 0.0, 1.4, Kind.INTERRUPTION), STOP)]
    first = advice_of(tmp_path, events, *QUIET_S)
    assert first == [(Finding.FAILURES_ELSEWHERE, []), (Finding.INTERRUPTIONS, [1])]
    (tmp_path / "b.db").unlink()
    last = advice_of(tmp_path, events, 1001.0, *QUIET_S)
    assert last == [(Finding.INTERRUPTIONS, [1]), (Finding.FAILURES_ELSEWHERE, [])]


def test_the_report_answers_first_and_in_bold(path: Path, tmp_path: Path) -> None:
    (tmp_path / "f.csv").write_text("when,what\n2026-11-25 09:37:00,jammed\n")
    log = ["--equipment-log", tmp_path / "f.csv", "--zone", "Europe/Vienna"]
    assert run("report", path, "-o", tmp_path / "a.html", *log).exit_code == 0
    text = (tmp_path / "a.html").read_text()
    bold = text[text.index("<strong>") : text.index("</strong>")]
    assert "this watch does not point to the supply" in bold
    assert "simulation" in bold
    follows = text[text.index("<h2>What follows</h2>") :]
    assert follows.index("Look at the machine itself") < follows.index("Rests on event")
    advice, appendix = follows.split("<h2>How it was measured</h2>")
    assert "IEEE 1346" not in advice
    assert "IEEE 1346" in appendix


def test_correlate_answers_in_words(path: Path, tmp_path: Path) -> None:
    (tmp_path / "f.csv").write_text("when,what\n2026-11-25 09:37:00,jammed\n")
    log = ["correlate", path, tmp_path / "f.csv", "--zone", "Europe/Vienna"]
    said = " ".join(run(*log).output.split())
    assert (
        "not point to the supply, nor away from it: the failure did not come within 1 min" in said
    )
    assert "Watch on, and look at the machine and at what this watch could not see." in said
    assert "point to the supply" not in run(*log, "--all").output  # nothing was judged for it
