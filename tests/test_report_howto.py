"""The page is for people who never saw the command: what names it stands apart, at the end."""

import html
import re
from pathlib import Path

import pytest

from tests.after_watch_material import fill, run

# One failure of each kind, and, shifted by an hour, three that all agree with the events.
NEAR = "2026-11-25T07:15:34Z,near\n2026-11-25T10:00:00Z,far\n"
SHIFTED = "".join(f"2026-11-25T{time}Z,x\n" for time in ("08:15:33", "09:45:33", "12:48:53"))


def texts(page: Path) -> str:
    body = page.read_text().partition("<body>")[2]
    body = re.sub("(?s)<svg.*?</svg>", "", body)
    return html.unescape(re.sub("<[^>]+>", "", body))


@pytest.mark.parametrize("log", [NEAR, SHIFTED])
@pytest.mark.parametrize("profile", ["iti-2000", "ieee-519-lv", "semi-f47-0706"])
def test_options_stand_only_in_the_part_for_the_maker(
    tmp_path: Path, profile: str, log: str
) -> None:
    fill(tmp_path / "a.db")
    (tmp_path / "f.csv").write_text("when,what\n" + log)
    words = ["report", tmp_path / "a.db", "-o", tmp_path / "a.html", "--profile", profile]
    assert run(*words, "--equipment-log", tmp_path / "f.csv").exit_code == 0
    told, heading, steps = texts(tmp_path / "a.html").partition("For whoever made this report:")
    assert heading
    assert re.findall(r"`|\B--\w+|halfcycle \w+|check-db", told) == []
    assert "check-db DATABASE --head" in steps
    is_judged = profile != "ieee-519-lv"  # it has no limit for a dip
    assert ("--offset" in steps) is (profile == "iti-2000" and log == SHIFTED)
    assert ("--equipment FILE" in steps) is not is_judged
    made = (tmp_path / "a.html").read_text()
    assert '<span class="n">--head</span>' in made  # no line ends between its hyphens
