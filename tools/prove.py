"""`python -m tools.prove`: faults injected by the tests, and what each of them cost, as a table."""

import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

import click

from tools.text import table

CHECKOUT = Path(__file__).resolve().parent.parent
SCENARIOS = ("tests/test_survival.py", "tests/test_retention.py")


@dataclass(frozen=True, slots=True)
class Row:
    """One fault: how often it was injected, and how much was lost by it."""

    fault: str
    times: int
    lost: int


@click.command()
@click.option("--quick", is_flag=True, help="Only what the ordinary tests run: a minute.")
def main(quick: bool) -> None:
    """Run every fault scenario and print a table; ends with 1 when one of them does not hold.

    Everything takes up to 25 minutes on two processors.
    """
    with tempfile.TemporaryDirectory() as folder:
        notes = Path(folder) / "proof.jsonl"
        notes.touch()
        command = [sys.executable, "-m", "pytest", *SCENARIOS, "-q", "--no-header", "-rf"]
        command += ["-m", "not soak" if quick else "soak or not soak"]
        environment = {**os.environ, "HALFCYCLE_PROOF": str(notes), "PYTHONPATH": str(CHECKOUT)}
        done = subprocess.run(command, cwd=CHECKOUT, env=environment, check=False)
        rows = read_rows(notes.read_text(encoding="utf-8"))
    click.echo("\n".join(proof_table(rows)))
    if done.returncode not in (0, 1):
        click.echo(f"The tests broke off with status {done.returncode}: rows are missing.")
    if done.returncode or not rows or any(row.lost for row in rows):
        sys.exit(1)


def read_rows(text: str) -> list[Row]:
    """What the tests noted; rows about the same fault are added up."""
    found: dict[str, Row] = {}
    for line in text.splitlines():
        note = json.loads(line)
        before = found.get(note["fault"], Row(note["fault"], 0, 0))
        found[before.fault] = Row(
            before.fault, before.times + note["times"], before.lost + note["lost"]
        )
    return list(found.values())


def proof_table(rows: list[Row]) -> list[str]:
    """Fault, times injected, lost, verdict."""
    cells = [
        [row.fault, str(row.times), str(row.lost), "fails" if row.lost else "holds"] for row in rows
    ]
    return table(("Fault", "Injected", "Lost", "Verdict"), cells, right=("Injected", "Lost"))


if __name__ == "__main__":
    main()
