"""The table of `python -m tools.prove`: what is in it, and that nothing is left out unsaid."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.whole_material import CHECKOUT, environment
from tools.prove import (
    Row,
    estimate,
    joined_rows,
    noted_tests,
    parts,
    proof_table,
    rows_without_notes,
    scenario_files,
)
from tools.prove_runs import Case, Part, cases, progress, run_parts

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


MEETING = '''
"""Two that pass only while both are under way."""
import os, time
from pathlib import Path

def meet(own, other):
    Path(own).touch()
    end_s = time.monotonic() + 30
    while not Path(other).exists():
        assert time.monotonic() < end_s
        time.sleep(0.01)
    with open(os.environ["HALFCYCLE_PROOF"], "a") as notes:
        test = os.environ["PYTEST_CURRENT_TEST"].removesuffix(" (call)")
        notes.write('{"fault": "absence", "times": 1, "lost": 0, "test": "%s"}\\n' % test)
'''
FIRST = "from tests.meeting import meet\n\ndef test_one(): meet('a', 'b')\n"
SECOND = """
from tests.meeting import meet

def test_two(): meet("b", "a")
def test_bad(): assert 1 == 2
"""


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


def test_parts_run_side_by_side_and_make_one_table(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each waits for the other to begin; rows about one fault are added up across the parts."""
    (tmp_path / "tests").mkdir()
    sources = {"__init__": "", "meeting": MEETING, "test_first": FIRST, "test_second": SECOND}
    for name, text in sources.items():
        (tmp_path / "tests" / f"{name}.py").write_text(text)
    (tmp_path / "pytest.ini").write_text("[pytest]\naddopts = -q\nmarkers = soak\n")
    monkeypatch.chdir(tmp_path)
    left = tmp_path / "left"
    left.mkdir()
    two = [Part(name, (f"tests/test_{name}.py",)) for name in ("first", "second")]
    outcomes = run_parts(two, left, "not soak", environment() | {"PYTHONPATH": str(tmp_path)})
    assert [one.status for one in outcomes] == [0, 1]
    assert outcomes[0].trouble == ""
    assert "assert 1 == 2" in outcomes[1].trouble
    assert joined_rows(outcomes) == [
        Row("absence", 2, 0),
        Row("tests/test_second.py: tests of test_second.py", 1, 1),
    ]


def test_one_that_breaks_off_says_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (left := tmp_path / "left").mkdir()
    (outcome,) = run_parts([Part("none", ("tests/none.py",))], left, "not soak", environment())
    assert not outcome.is_whole
    assert "tests/none.py" in outcome.trouble
    assert joined_rows([outcome]) == []


def test_the_soak_runs_beside_the_rest() -> None:
    """Nothing twice, nothing left out; of the quick ones it has none, so there is one part."""
    rest, soak = parts(CHECKOUT, quick=False)
    assert soak.files == ("tests/test_soak.py",)
    assert sorted(rest.files + soak.files) == sorted(scenario_files(CHECKOUT))
    (everything,) = parts(CHECKOUT, quick=True)
    assert everything.files == tuple(scenario_files(CHECKOUT))


def test_how_far_it_is() -> None:
    """As pytest 9 prints it: a line a test, and the one under way without its end."""
    said = "header\n\n" + "".join(
        f"tests/test_x.py::test_{name} {outcome}   [ 10%]\n"
        for name, outcome in [("a[6 min]", "PASSED"), ("b", "SKIPPED (no)"), ("c", "FAILED")]
    )
    assert progress(said) == "3 done"
    assert progress(said + "tests/test_x.py::test_d ") == "3 done, at test_x.py::test_d"
    assert progress("") == "0 done"


def test_the_time_is_told_beforehand() -> None:
    assert "About 65 minutes" in estimate(False, 168, 1)  # the hour, and 5 for what is beside it
    assert "About 125 minutes" in estimate(False, 500, 1)  # 20, a fifth of 500, and the 5
    assert estimate(True, 168, 1) == "About 2 minutes."
