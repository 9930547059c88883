"""What a profile does not judge is said first, and never taken for an all-clear."""

import re
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.page.words import kind_words
from daemon.profiles import is_in_scope
from daemon.records import Judgement, Kind
from daemon.store import Store
from tests.after_watch_material import RUN_UTC_S, SNAPSHOT, fill, run
from tests.database_material import dip, judged, run_info
from tools.unjudged import find_limits, judges, unjudged_words
from tools.verdicts import Supply

FAILURES = "when,what\n2026-11-25 08:15:34,press stopped\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    fill(tmp_path / "a.db")
    fill(tmp_path / "b.db")
    (tmp_path / "f.csv").write_text(FAILURES)
    return tmp_path


def verbs(folder: Path) -> list[list[object]]:
    log = [folder / "f.csv", "--zone", "Europe/Vienna"]
    return [
        ["report", folder / "a.db", "-o", folder / "a.html"],
        ["correlate", folder / "a.db", *log],
        ["compare", folder / "a.db", folder / "b.db"],
    ]


@pytest.mark.parametrize("name", ["ieee-1159", "unipede"])
def test_a_profile_without_limits_is_refused(folder: Path, name: str) -> None:
    """IEEE 1159 and UNIPEDE name categories of events; neither sets a limit."""
    for words in verbs(folder):
        found = run(*words, "--profile", name)
        assert found.exit_code == 2
        assert f"{name} sorts events into classes and has no limits" in found.output
        assert len(found.output.strip().splitlines()) == 1


def test_a_profile_of_another_subject_gives_no_answer(folder: Path) -> None:
    """IEEE 519 limits harmonics alone: of the four dips it says nothing."""
    said = "4 events are not judged (dip (sag): 4), as ieee-519-lv has no limit for such"
    for words in verbs(folder)[1:]:
        found = run(*words, "--profile", "ieee-519-lv")
        assert found.exit_code == 0
        one_line = " ".join(found.output.split())
        if words[0] == "compare":
            first = "Does it do its work? Cannot be said yet: no event was judged. "
            assert one_line.startswith(first + said.replace("4", "8"))
        else:
            assert "Whether the supply or the machine is to blame cannot be said" in one_line
            assert said in one_line
    assert run(*verbs(folder)[0], "--profile", "ieee-519-lv").exit_code == 0
    page = (folder / "a.html").read_text()
    assert "no event was judged" in page
    assert "4 events are not judged" in page


def supply(nominal_v: float, frequency_hz: float) -> Supply:
    return Supply(nominal_v, frequency_hz, None, None, None, None, None)


LIMITS_ARE = re.compile(r"Limits for a supply of [^:]+ are: (.*)\.$")
SUPPLIES = [supply(230.0, 50.0), supply(120.0, 60.0), supply(400.0, 50.0), supply(100.0, 50.0)]


def named_for(said: str) -> dict[str, list[str]]:
    """Profiles by the kinds they are named for."""
    found = LIMITS_ARE.search(said)
    assert found is not None
    parts = [part.removeprefix("for ").rpartition(" in ") for part in found[1].split("; ")]
    names = {kinds: [] if "no other" in end else end.split(" or ") for kinds, _, end in parts}
    return {kind: names[kinds] for kinds in names for kind in kinds.split(" and ")}


@pytest.mark.parametrize("one", SUPPLIES)
@pytest.mark.parametrize("asked", ["iti-2000", "ieee-519-lv", "en-50160-lv"])
def test_each_profile_named_judges_that_kind_on_that_supply(asked: str, one: Supply) -> None:
    """So who takes it finds a verdict for these events, and is not sent back for them."""
    before = find_limits(asked)
    counts = Counter({kind: 1 for kind in Kind if not judges(before, kind)})
    named = named_for(unjudged_words(asked, counts, [one]))
    assert set(named) == {kind_words(kind) for kind in counts}
    for kind in counts:
        for name in named[kind_words(kind)]:
            profile = find_limits(name)
            assert name != asked
            assert judges(profile, kind)
            assert is_in_scope(profile, one.nominal_v, one.frequency_hz)
    assert named[kind_words(Kind.FREQUENCY)] == []  # no built-in profile limits it


def test_a_curve_for_another_voltage_is_not_named() -> None:
    """The ITI curve is for 120 V and 60 Hz; EN 50160 for 230 V and 50 Hz."""
    counts = Counter({Kind.SWELL: 2, Kind.TRANSIENT: 1})
    here = unjudged_words("iec-61000-4-11-class-3", counts, [supply(230.0, 50.0)])
    assert "for swell in iec-60038 or en-50160-lv; for transient in no other profile" in here
    there = unjudged_words("iec-61000-4-11-class-3", counts, [supply(120.0, 60.0)])
    assert "transient in iti-2000" in there
    assert "en-50160" not in there


def test_words() -> None:
    assert unjudged_words("iti-2000", Counter()) == ""
    said = unjudged_words("iti-2000", Counter({Kind.DISTORTION: 1}), [supply(230.0, 50.0)])
    assert said.startswith("1 event is not judged (distortion: 1), as iti-2000 has no limit")
    assert said.endswith("Limits for a supply of 230 V, 50 Hz are: for distortion in ieee-519-lv.")
    assert "Limits for" not in unjudged_words("iti-2000", Counter({Kind.FLICKER: 1}))


def test_a_swell_that_was_not_judged_is_named_in_the_answer(tmp_path: Path) -> None:
    store = Store(tmp_path / "a.db", "Europe/Vienna")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
    swell = dip(1, kind=Kind.SWELL, value=262.2, value_pct=114.0, duration_s=0.69)
    unsaid = Judgement("iec-61000-4-11-class-3", None, None)
    kept = judged(replace(swell), judgement=unsaid, start_utc_s=RUN_UTC_S + 60.0)
    store.add(run_id, [kept], [])
    store.end_run(run_id, RUN_UTC_S + 3600, 1, 0)
    store.close()
    assert run("report", tmp_path / "a.db", "-o", tmp_path / "a.html").exit_code == 0
    text = (tmp_path / "a.html").read_text()
    box = text[text.index('class="answer"') : text.index("<h2>")]
    assert "swell: 1" in box
    assert "for swell in iec-60038 or en-50160-lv" in box
    assert "Compare the events that were not judged with another profile" in text
    assert "Nothing to do about the supply" not in text
