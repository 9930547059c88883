"""`python -m tools.prove`: faults injected by the tests, and what each of them cost, as a table.

A test that injects faults notes a row for each (tests/survival_material.py, `Proof`). Of the others
(fuzzing, device faults) each file is a row: its tests are what was injected, those that failed are
what was lost. What was skipped has a row too: it is not proved.
"""

import json
import os
import sys
import tempfile
from dataclasses import dataclass, replace
from fnmatch import fnmatch
from pathlib import Path

import click

from tools.prove_runs import Case, Outcome, Part, run_parts
from tools.text import table

CHECKOUT = Path(__file__).resolve().parent.parent
SOAK = "tests/test_soak*.py"
SCENARIOS = {
    "tests/test_survival*.py": "faults of disk, power and processor",
    "tests/test_retention*.py": "a database that may not grow",
    "tests/test_driver_faults*.py": "faults of a device",
    "tests/test_chip_faults*.py": "faults of a converter chip",
    "tests/test_doubt*.py": "sensor disconnected or stuck",
    "tests/test_clock_ties*.py": "clock set, late or wrong",
    "tests/test_corrections*.py": "times known better later",
    "tests/test_page_flood*.py": "page flooded",
    "tests/test_wrong_input*.py": "bad input",
    "tests/test_fuzz*.py": "fuzzing",
    "tests/test_rescue*.py": "database damaged",
    "tests/test_quiet_day*.py": "a quiet day",
    "tests/test_week*.py": "the simulated week",
    SOAK: "the soak at real time",
}
QUICK_MIN = 2.0
FAULTS_MIN = 20.0  # what survival and retention take on two processors that do nothing else
MINUTES_AN_HOUR = 0.2  # of simulated time
BESIDE_MIN = 5.0  # what runs side by side takes longer


@dataclass(frozen=True, slots=True)
class Row:
    """One fault: how often it was injected, and how much was lost by it."""

    fault: str
    times: int
    lost: int
    is_skipped: bool = False

    @property
    def verdict(self) -> str:
        if self.is_skipped:
            return "not run"
        return "fails" if self.lost else "holds"


@click.command()
@click.option("--quick", is_flag=True, help="Only what the ordinary tests run: two minutes.")
@click.option(
    "--hours",
    type=click.FloatRange(0.1, 10_000),
    default=168.0,
    show_default=True,
    help="Simulated time of the week on three lines, in hours.",
)
@click.option(
    "--soak-hours",
    type=click.FloatRange(0.02, 10_000),
    default=1.0,
    show_default=True,
    help="How long the soak at real time lasts, in hours.",
)
def main(quick: bool, hours: float, soak_hours: float) -> None:
    """Run every fault scenario and print a table; ends with 1 when one of them does not hold.

    While they run, a line each minute says how far they are.
    """
    click.echo(estimate(quick, hours, soak_hours))
    environment = {
        **os.environ,
        "HALFCYCLE_WEEK_HOURS": f"{hours:g}",
        "HALFCYCLE_SOAK_HOURS": f"{soak_hours:g}",
        "PYTHONPATH": str(CHECKOUT),
    }
    os.chdir(CHECKOUT)
    marker = "not soak" if quick else "soak or not soak"
    with tempfile.TemporaryDirectory() as folder:
        outcomes = run_parts(parts(CHECKOUT, quick), Path(folder), marker, environment)
    rows = joined_rows(outcomes)
    click.echo("\n".join([*(one.trouble for one in outcomes if one.trouble), *proof_table(rows)]))
    for one in outcomes:
        if not one.is_whole:
            click.echo(f"The tests broke off with status {one.status}: rows are missing.")
    is_good = rows and all(row.verdict == "holds" for row in rows)
    if not is_good or any(one.status for one in outcomes):
        sys.exit(1)


def estimate(quick: bool, hours: float, soak_hours: float) -> str:
    """How long it will take, before it begins."""
    if quick:
        return f"About {QUICK_MIN:.0f} minutes."
    week_min, soak_min = hours * MINUTES_AN_HOUR, soak_hours * 60
    total_min = max(FAULTS_MIN + week_min, soak_min) + BESIDE_MIN
    return (
        f"About {total_min:.0f} minutes on two processors that do nothing else: faults "
        f"{FAULTS_MIN:.0f} and then {hours:g} simulated hours {week_min:.0f}; beside them the soak "
        f"at real time {soak_min:.0f}."
    )


def parts(checkout: Path, quick: bool) -> list[Part]:
    """What runs side by side: the soak at real time mostly sleeps."""
    files = scenario_files(checkout)
    soak = tuple(file for file in files if fnmatch(file, SOAK))
    if quick or not soak:
        return [Part("tests", tuple(files))]
    others = tuple(file for file in files if file not in soak)
    return [Part("faults and week", others), Part("soak", soak)]


def joined_rows(outcomes: list[Outcome]) -> list[Row]:
    """One table of all parts: the rows noted, then those of tests that noted nothing."""
    text = "".join(one.notes for one in outcomes)
    found = [case for one in outcomes for case in one.cases]
    return read_rows(text) + rows_without_notes(found, noted_tests(text))


def scenario_files(checkout: Path) -> list[str]:
    """The files there are, by their pattern and name."""
    found = [path for pattern in SCENARIOS for path in sorted(checkout.glob(pattern))]
    return [str(path.relative_to(checkout)) for path in found]


def subject(file: str) -> str:
    """What a file of tests injects, in words."""
    return next((words for pattern, words in SCENARIOS.items() if fnmatch(file, pattern)), file)


def read_rows(text: str) -> list[Row]:
    """What the tests noted; rows about the same fault are added up."""
    found: dict[str, Row] = {}
    for line in text.splitlines():
        note = json.loads(line)
        before = found.get(note["fault"], Row(note["fault"], 0, 0))
        found[before.fault] = replace(
            before, times=before.times + note["times"], lost=before.lost + note["lost"]
        )
    return list(found.values())


def noted_tests(text: str) -> set[str]:
    """The tests that noted a row of their own."""
    return {json.loads(line).get("test", "") for line in text.splitlines()}


def rows_without_notes(tests: list[Case], noted: set[str]) -> list[Row]:
    """A row for each file's tests that noted nothing, and one for what was skipped in it."""
    rows = []
    for file in dict.fromkeys(case.file for case in tests):
        ours = [case for case in tests if case.file == file and case.test_id not in noted]
        run = [case for case in ours if case.outcome != "skipped"]
        n_failed = sum(case.outcome == "failed" for case in run)
        n_skipped = len(ours) - len(run)
        if run:
            rows.append(Row(f"{subject(file)}: tests of {Path(file).name}", len(run), n_failed))
        if n_skipped:
            words = f"{subject(file)}: skipped in {Path(file).name}"
            rows.append(Row(words, n_skipped, 0, is_skipped=True))
    return rows


def proof_table(rows: list[Row]) -> list[str]:
    """Fault, times injected, lost, verdict."""
    cells = [[row.fault, str(row.times), str(row.lost), row.verdict] for row in rows]
    return table(("Fault", "Injected", "Lost", "Verdict"), cells, right=("Injected", "Lost"))


if __name__ == "__main__":
    main()
