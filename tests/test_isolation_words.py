"""What counts as no isolation, and that a report says so before anything else."""

import json
from pathlib import Path

import pytest

from daemon.archive import open_archive
from daemon.isolation_words import UNKNOWN, is_unstated
from daemon.store import Store
from tests.after_watch_material import RUN_UTC_S, SNAPSHOT, run
from tests.database_material import run_info
from tools.report_facts import isolation_cautions

GOOD = {"barrier": "Transformer", "rating": "CAT III 300 V"}


@pytest.mark.parametrize(
    ("text", "is_none"),
    [
        ("...", True),  # as the example has it
        ("None", True),
        ("none, a resistive divider", True),
        ("no isolation at all", True),
        ("n/a", True),
        ("?", True),
        ("Unknown maker", True),
        ("Nonesuch transformer no. 12, 4 kV", False),
        ("Norden transformer", False),
        ("CAT III 300 V", False),
    ],
)
def test_words_that_name_no_isolation(text: str, is_none: bool) -> None:
    assert is_unstated(text) is is_none


def database(folder: Path, driver: str, isolation: dict[str, str]) -> Path:
    settings = json.loads(SNAPSHOT)
    settings["site"]["isolation"] = isolation
    store = Store(folder / "a.db", "UTC")
    text = json.dumps(settings)
    info = run_info(settings_text=text, started_utc_s=RUN_UTC_S, channels=("L1",), driver=driver)
    store.end_run(store.begin_run(info), RUN_UTC_S + 600.0, 6_000_000, 0)
    store.close()
    return folder / "a.db"


@pytest.mark.parametrize(
    ("driver", "isolation", "n_cautions"),
    [
        ("mcp320x", GOOD, 0),
        ("mcp320x", {**GOOD, "barrier": "none"}, 1),
        ("mcp320x", {**GOOD, "rating": "?"}, 1),
        ("simulated", {**GOOD, "barrier": "none"}, 0),  # no circuit is connected
        ("mcp320x", {}, 0),  # an older database: nobody was asked
    ],
)
def test_a_report_cautions_once(
    tmp_path: Path, driver: str, isolation: dict[str, str], n_cautions: int
) -> None:
    archive = open_archive(database(tmp_path, driver, isolation))
    assert isolation_cautions(archive) == [UNKNOWN] * n_cautions


def test_the_caution_is_in_the_report(tmp_path: Path) -> None:
    path = database(tmp_path, "mcp320x", {**GOOD, "barrier": "none"})
    found = run("report", path, "-o", tmp_path / "a.html")
    assert found.exit_code == 0, found.output
    text = " ".join((tmp_path / "a.html").read_text(encoding="utf-8").split())
    assert "The configuration names no isolation" in text
