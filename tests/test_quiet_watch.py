"""A watch in which nothing happened: what it was compared with, and how little it may prove."""

from pathlib import Path

import pytest

from daemon.archive import open_archive
from daemon.store import Store
from tests.after_watch_material import RUN_UTC_S, SNAPSHOT, fill, run
from tests.database_material import run_info
from tools.verdicts import compared_with

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
