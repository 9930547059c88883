"""What a profile does not judge is said first, and never taken for an all-clear."""

from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.profiles import find_profile
from daemon.records import Judgement, Kind
from daemon.store import Store
from daemon.tolerance import ClassificationProfile
from tests.after_watch_material import RUN_UTC_S, SNAPSHOT, fill, run
from tests.database_material import dip, judged, run_info
from tools.unjudged import WITH_LIMITS, judges, unjudged_words

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


def test_a_profile_of_another_subject_says_so_first(folder: Path) -> None:
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
            assert one_line.startswith(said)
    assert run(*verbs(folder)[0], "--profile", "ieee-519-lv").exit_code == 0
    page = (folder / "a.html").read_text()
    assert "no event was judged" in page
    assert "4 events are not judged" in page


def test_the_profiles_named_instead_do_judge_such_events() -> None:
    for kind, name in WITH_LIMITS.items():
        profile = find_profile(name, None)
        assert not isinstance(profile, ClassificationProfile)
        assert judges(profile, kind)


def test_words() -> None:
    assert unjudged_words("iti-2000", Counter()) == ""
    said = unjudged_words("iti-2000", Counter({Kind.DISTORTION: 1}))
    assert said.startswith("1 event is not judged (distortion: 1), as iti-2000 has no limit")
    assert said.endswith("To judge them: --profile ieee-519-lv.")
    assert "--profile" not in unjudged_words("iti-2000", Counter({Kind.FLICKER: 1}))


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
    assert "--profile iti-2000" in box
    assert "Compare the events that were not judged with another profile" in text
    assert "Nothing to do about the supply" not in text
