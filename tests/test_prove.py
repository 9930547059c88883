"""The table of `python -m tools.prove`: what is in it, and that nothing is left out unsaid."""

import json
import subprocess
import sys
from pathlib import Path

from tests.whole_material import CHECKOUT, environment
from tools.prove import (
    Case,
    Row,
    cases,
    estimate,
    noted_tests,
    proof_table,
    rows_without_notes,
    scenario_files,
)

TESTS = '''
"""Four outcomes."""
import pytest

def test_good(): pass
def test_bad(): assert 0
@pytest.mark.skip(reason="no")
def test_not_run(): pass
@pytest.fixture
def broken(): raise OSError
def test_broken(broken): pass
def test_noted(): pass
'''


def test_what_noted_nothing_has_rows_of_its_own(tmp_path: Path) -> None:
    """pytest's own report says what happened; a test that noted a row is not counted again."""
    (tmp_path / "tests").mkdir()
    (tmp_path / "tests" / "test_x.py").write_text(TESTS)
    report = tmp_path / "report.xml"
    command = [sys.executable, "-m", "pytest", "-q", f"--junitxml={report}", "tests/test_x.py"]
    command += ["-o", "junit_family=xunit2", "-p", "no:cacheprovider", "--rootdir", str(tmp_path)]
    subprocess.run(command, cwd=tmp_path, env=environment(), capture_output=True, check=False)
    found = cases(report)
    assert Case("tests/test_x.py", "test_good", "passed") in found
    note = {"fault": "a", "times": 1, "lost": 0, "test": "tests/test_x.py::test_noted"}
    noted = noted_tests(json.dumps(note))
    assert rows_without_notes(found, noted) == [
        Row("tests/test_x.py: tests of test_x.py", 3, 2),
        Row("tests/test_x.py: skipped in test_x.py", 1, 0, is_skipped=True),
    ]


def test_a_row_says_what_was_injected() -> None:
    case = Case("tests/test_fuzz_wav.py", "test_a", "passed")
    assert rows_without_notes([case], set()) == [Row("fuzzing: tests of test_fuzz_wav.py", 1, 0)]


def test_what_was_skipped_does_not_hold() -> None:
    assert proof_table([Row("disk full", 3, 0, is_skipped=True)])[1].endswith("not run")


def test_every_scenario_file_is_asked(tmp_path: Path) -> None:
    files = scenario_files(CHECKOUT)
    assert {"tests/test_survival.py", "tests/test_retention.py"} < set(files)
    assert {"tests/test_week.py", "tests/test_soak.py"} < set(files)
    assert all((CHECKOUT / file).exists() for file in files)
    assert scenario_files(tmp_path) == []


def test_the_time_is_told_beforehand() -> None:
    assert "About 114 minutes" in estimate(False, 168, 1)  # 20, a fifth of 168, and the hour
    assert estimate(True, 168, 1) == "About 2 minutes."
