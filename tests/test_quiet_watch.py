"""A watch in which nothing happened: what it was compared with, and how little it may prove."""

import html
import re
from pathlib import Path

import pytest
from matplotlib.text import Text
from scipy.stats import binom, poisson

from daemon.archive import open_archive
from daemon.profiles import find_profile
from daemon.store import Store
from tests.after_watch_material import RUN_UTC_S, SNAPSHOT, fill, run
from tests.database_material import run_info
from tools.quiet_watch import ENOUGH_FAILURES, RARE, WEEK_S, is_short, usual_s
from tools.saved_pictures import curve_words, judged_figure, no_curve_words
from tools.verdicts import Supply, compared_with

FAILURES = "when,what\n2026-11-25 08:15:34,press stopped\n2026-11-25 08:25:34,again\n"


def quiet_watch(path: Path, length_s: float, settings: str = SNAPSHOT) -> Path:
    """A run without any event."""
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info(settings_text=settings, started_utc_s=RUN_UTC_S))
    store.end_run(run_id, RUN_UTC_S + length_s, 1, 0)
    store.close()
    return path


def box_of(page: Path) -> str:
    text = page.read_text()
    return text[text.index('class="answer"') : text.index("<h2>")]


def test_a_watch_without_events_was_compared_with_the_profile_of_its_settings(
    tmp_path: Path,
) -> None:
    path = quiet_watch(tmp_path / "a.db", 360.0)
    assert compared_with(open_archive(path), []) == ["iti-2000"]
    assert run("report", path, "-o", tmp_path / "a.html").exit_code == 0
    page = (tmp_path / "a.html").read_text()
    assert "Compared with: ITI (CBEMA) Curve, revised 2000" in page
    assert "not on this machine" not in page
    assert "limit: iti-2000" in page  # the key of the curve that is drawn
    (tmp_path / "f.csv").write_text(FAILURES)
    said = run("correlate", path, tmp_path / "f.csv", "--zone", "Europe/Vienna").output
    assert "no profile" not in said


def test_runs_with_events_name_the_profile_of_these(tmp_path: Path) -> None:
    """Settings tell only what is not known from an event: a run may have been judged again."""
    fill(tmp_path / "a.db")
    archive = open_archive(tmp_path / "a.db")
    run_ids = [one.id for one in archive.runs()]
    assert compared_with(archive, [(run_ids[0], "semi-f47-0706")]) == ["semi-f47-0706"]


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ("{}", "nothing: neither an event nor the settings of the watch name a profile."),
        (SNAPSHOT.replace("iti-2000", "gone"), "The profile gone is not on this machine."),
    ],
)
def test_a_profile_that_nobody_knows_is_said_in_words(
    tmp_path: Path, settings: str, words: str
) -> None:
    path = quiet_watch(tmp_path / "a.db", 360.0, settings)
    assert run("report", path, "-o", tmp_path / "a.html").exit_code == 0
    assert f"Compared with: {words}" in (tmp_path / "a.html").read_text()


def test_a_short_quiet_watch_clears_nothing(tmp_path: Path) -> None:
    """Six minutes; by the rule of three (3 / 6 min) one disturbance in 2 min would stay unseen."""
    path = quiet_watch(tmp_path / "a.db", 360.0)
    assert run("report", path, "-o", tmp_path / "a.html").exit_code == 0
    box = html.unescape(re.sub("<[^>]+>", "", box_of(tmp_path / "a.html")))
    assert "Only 6 min 00 s were watched: a quiet watch of this length proves little" in box
    assert "(our own rule asks for a week)" in box
    assert "once in 2 min 00 s in the mean does not pass it for so long in 5 % of all cases" in box
    assert "What follows: watch for longer before the supply is cleared." in box
    assert "Nothing to do about the supply" not in (tmp_path / "a.html").read_text()


def test_a_quiet_week_says_what_it_can_say(tmp_path: Path) -> None:
    path = quiet_watch(tmp_path / "a.db", 7 * 86_400.0)
    assert run("report", path, "-o", tmp_path / "a.html").exit_code == 0
    box = html.unescape(re.sub("<[^>]+>", "", box_of(tmp_path / "a.html")))
    assert "proves little" not in box
    assert "once in 2 days 8 h in the mean" in box  # 168 h / 3.0 = 56 h
    assert "What follows: nothing to do about the supply on this evidence." in box


def test_failures_in_a_short_watch_are_no_firm_word_against_the_machine(tmp_path: Path) -> None:
    path = quiet_watch(tmp_path / "a.db", 7200.0)
    (tmp_path / "f.csv").write_text(FAILURES)
    log = ["correlate", path, tmp_path / "f.csv", "--zone", "Europe/Vienna"]
    said = " ".join(run(*log).output.split())
    assert "This watch does not point to the supply, nor away from it: none of 2 failures" in said
    assert "proves little: only 2 h 00 min were watched, with 2 failures in it" in said
    assert "machine first" not in said


def test_the_time_in_which_none_is_rare_is_that_of_scipy() -> None:
    """A mean of `usual_s` between disturbances makes none in 1000 s as rare as 5 %."""
    assert poisson.pmf(0, 1000.0 / usual_s(1000.0)) == pytest.approx(0.05, rel=1e-9)


def test_five_failures_without_a_match_are_rare_where_every_second_one_is_the_supplys() -> None:
    """The rule's own figure: 3 %, less than 5 %; four would be 6 %."""
    assert binom.pmf(0, ENOUGH_FAILURES, 0.5) <= RARE < binom.pmf(0, ENOUGH_FAILURES - 1, 0.5)
    assert is_short(3600.0, ENOUGH_FAILURES - 1)
    assert not is_short(3600.0, ENOUGH_FAILURES)


def test_a_week_may_lack_a_twentieth() -> None:
    assert not is_short(0.951 * WEEK_S)
    assert is_short(0.949 * WEEK_S)


def test_a_picture_without_a_curve_says_why() -> None:
    """IEEE 519 limits harmonics, IEEE 1159 none at all; both draw no line."""
    supply = Supply(230.0, 50.0, None, None, None, None, None)
    for name, why in (("ieee-519-lv", "has none for dips"), ("ieee-1159", "sorts events")):
        profile = find_profile(name, None)
        assert why in no_curve_words(profile, supply)
        assert why in curve_words([], profile, supply)
        texts = [one.get_text() for one in judged_figure([], profile, supply).findobj(Text)]
        assert no_curve_words(profile, supply) in texts
    iti = find_profile("iti-2000", None)
    assert no_curve_words(iti, supply) == ""
    assert "The line is the limit" in curve_words([], iti, supply)
    assert "not known" in no_curve_words(iti, None)
    assert "not known" in no_curve_words(None, supply)
