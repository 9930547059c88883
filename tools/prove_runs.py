"""What `tools.prove` has pytest do: some files each, side by side, and how far they are."""

import re
import signal
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import click

from drivers.clock import SystemClock

TELL_EVERY_S = 60.0
LOOK_EVERY_S = 0.5
END_TIMEOUT_S = 30.0
BROKEN_LINES = 40  # of what pytest said, when it broke off
_DONE = re.compile(r"^(tests/.*?) (?:PASSED|FAILED|SKIPPED|ERROR)\b", re.MULTILINE)
_FAILURES = re.compile(r"^=+ (?:ERRORS|FAILURES) =+$", re.MULTILINE)


@dataclass(frozen=True, slots=True)
class Part:
    """Files whose tests run one after another."""

    name: str
    files: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Case:
    """One test as pytest reports it."""

    file: str  # tests/test_x.py
    name: str
    outcome: str  # passed, failed, skipped

    @property
    def test_id(self) -> str:
        return f"{self.file}::{self.name}"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of a part."""

    status: int  # pytest's own: 0 all passed, 1 some failed, else it broke off
    notes: str  # the rows its tests noted, a JSON object a line
    cases: list[Case]
    trouble: str  # what pytest said of failures; empty if there were none

    @property
    def is_whole(self) -> bool:
        """Every test was asked."""
        return self.status in (0, 1)


class _Run:
    """A pytest that is under way."""

    def __init__(self, part: Part, folder: Path, marker: str, environment: Mapping[str, str]):
        self.part = part
        self._notes, self._report = folder / "proof.jsonl", folder / "report.xml"
        self._said = folder / "said.txt"
        self._notes.touch()
        # From the checkout, whose settings say -q: twice v is a line for each test.
        command = [sys.executable, "-m", "pytest", *part.files, "-vv", "--no-header"]
        command += [f"--junitxml={self._report}", "-o", "junit_family=xunit2", "-m", marker]
        command += ["-p", "no:cacheprovider"]
        with self._said.open("wb") as said:
            self.process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=said,
                stderr=subprocess.STDOUT,
                env={**environment, "HALFCYCLE_PROOF": str(self._notes)},
                start_new_session=True,  # Ctrl-C reaches it from here, and once
            )

    @property
    def said(self) -> str:
        """All it has printed so far."""
        return self._said.read_text(encoding="utf-8", errors="replace")

    def outcome(self) -> Outcome:
        """After its end."""
        status = self.process.wait()
        found = cases(self._report) if self._report.exists() else []
        notes = self._notes.read_text(encoding="utf-8")
        return Outcome(status, notes, found, trouble_in(self.said, status))

    def end(self) -> None:
        """As Ctrl-C would: its tests clean up behind them. Harmless after its end."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            try:
                self.process.wait(END_TIMEOUT_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()


def run_parts(
    parts: list[Part], folder: Path, marker: str, environment: Mapping[str, str]
) -> list[Outcome]:
    """Run all parts at the same time and say each minute how far they are.

    :param folder: for what they leave; has to be empty.
    :param marker: which tests, as pytest's `-m` takes it.
    """
    clock = SystemClock()
    began_s = next_s = clock.monotonic_ns() / 1e9
    with _started(parts, folder, marker, environment) as runs:
        while any(run.process.poll() is None for run in runs):
            if clock.monotonic_ns() / 1e9 >= next_s + TELL_EVERY_S:
                next_s += TELL_EVERY_S
                click.echo(f"{(next_s - began_s) / 60:.0f} min: {how_far(runs)}")
            clock.sleep_s(LOOK_EVERY_S)
        return [run.outcome() for run in runs]


@contextmanager
def _started(
    parts: list[Part], folder: Path, marker: str, environment: Mapping[str, str]
) -> Iterator[list[_Run]]:
    runs: list[_Run] = []
    try:
        for number, part in enumerate(parts):
            own = folder / str(number)
            own.mkdir()
            runs.append(_Run(part, own, marker, environment))
        yield runs
    finally:
        for run in runs:
            run.end()


def how_far(runs: list[_Run]) -> str:
    """Of each part that is under way: tests done, and the one it is at."""
    return "; ".join(
        f"{run.part.name}: {progress(run.said)}" for run in runs if run.process.poll() is None
    )


def progress(said: str) -> str:
    """How far a pytest is, by what it printed: the test under way has no end of line yet."""
    n_done = len(set(_DONE.findall(said)))
    _, _, last = said.rpartition("\n")
    at = f", at {last.strip().partition('/')[2]}" if last.startswith("tests/") else ""
    return f"{n_done} done{at}"


def trouble_in(said: str, status: int) -> str:
    """What a person needs of what pytest printed: the failures, or why it broke off."""
    failures = _FAILURES.search(said)
    if failures is not None:
        return said[failures.start() :]
    return "" if status == 0 else "\n".join(said.splitlines()[-BROKEN_LINES:])


def cases(report: Path) -> list[Case]:
    """What pytest reported of each test (JUnit XML, xunit2)."""
    found = []
    for case in ET.parse(report).iter("testcase"):
        file = case.get("classname", "").replace(".", "/") + ".py"
        outcome = "passed"
        if case.find("skipped") is not None:
            outcome = "skipped"
        if case.find("failure") is not None or case.find("error") is not None:
            outcome = "failed"
        found.append(Case(file, case.get("name", ""), outcome))
    return found
