"""What is said of how far an event was from its limit."""

from dataclasses import replace

from daemon.judge import facts_of, judge
from daemon.margin_words import as_seen_words, is_within_as_seen, margin_words
from daemon.profiles import find_profile
from daemon.records import Event, EventDetail, Judgement, Kind, Verdict
from tests.database_material import dip

ITI = find_profile("iti-2000", None)


def transient(value_pct: float, width_s: float, *, is_resolved: bool | None) -> Event:
    detail = EventDetail(width_s=width_s, is_resolved=is_resolved)
    return dip(1, kind=Kind.TRANSIENT, value_pct=value_pct, duration_s=1.5e-3, detail=detail)


def judged(event: Event) -> Judgement:
    return judge(facts_of(event), ITI, 120.0, 60.0)


def test_a_transient_too_fast_to_be_measured_has_nothing_to_spare() -> None:
    """180 % for 1.05 ms lies inside the ITI curve (200 % for 1 ms to 140 % for 3 ms)."""
    event = transient(180.0, 1.05e-3, is_resolved=False)
    assert judged(event).verdict is Verdict.WITHIN
    assert is_within_as_seen(judged(event), event)
    said = margin_words(judged(event), event)
    assert "to spare" not in said
    assert said.startswith("as far as it was seen; it may have been larger")
    bare = replace(judged(event), margin_pct=None, margin_s=None)  # as old databases have it
    assert margin_words(bare, event) == said


def test_the_time_that_was_judged_is_told_from_the_one_in_the_list() -> None:
    event = transient(180.0, 1.05e-3, is_resolved=True)
    assert not is_within_as_seen(judged(event), event)
    said = margin_words(judged(event), event)
    assert "to spare (judged by its width of 1.05 ms, not by the 1.50 ms it lasted)" in said
    still_on = replace(event, duration_s=None)
    assert margin_words(judged(still_on), still_on).endswith("(judged by its width of 1.05 ms)")


def test_what_is_passed_by_one_not_resolved_is_passed_by_more() -> None:
    """The ITI curve allows 500 % for 0.17 ms at most."""
    event = transient(600.0, 1.05e-3, is_resolved=False)
    assert margin_words(judged(event), event).startswith("passed by at least ")
    sure = transient(600.0, 1.05e-3, is_resolved=True)
    assert margin_words(judged(sure), sure).startswith("passed by ")
    assert "at least" not in margin_words(judged(sure), sure)


def test_other_kinds_are_as_before() -> None:
    event = dip(1)
    found = Judgement("iti-2000", Verdict.WITHIN, None, 5.0, 0.1)
    assert margin_words(found, event) == "5.0 % and 0.10 s to spare"
    assert margin_words(Judgement("iti-2000", None, None), event) == ""
    assert as_seen_words(0) == ""
    assert as_seen_words(2).startswith("2 transients are within only as far as they were seen")
