"""The acquisition process's loop, run in the test's own process with pipes of its own."""

import json
import os
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest

from daemon import sampler as sampler_module
from daemon.ring import (
    LONGEST_WAIT_S,
    MAX_UNREAD_REPORTS,
    RING_S,
    BlockReport,
    Credit,
    Report,
    ReportKind,
    Ring,
    take_report,
)
from daemon.sampler import FIRST_WAIT_S, READ_TIMEOUT_S, SILENCE_S, Sampler
from drivers.clock import ManualClock
from drivers.errors import OptionError, SourceEnded, SourceFailed, SourceUnavailable
from drivers.source import Block, Source, SourceInfo, SourceOptions
from tests.whole_material import CHECKOUT, environment

RATE_HZ = 100.0
CAPACITY = int(RING_S * RATE_HZ)  # 4000 samples
BLOCK = 1000

Step = int | Exception | Callable[[], None] | None


class ScriptedSource(Source):
    """Plays a script: a number is a block of so many samples, an exception is raised, None is
    silence, a function is called and the next step taken. The value of a sample is its number
    since the first open."""

    Options = SourceOptions
    is_hardware = False
    script: ClassVar[list[Step]] = []
    openings: ClassVar[list[Exception | None]] = []
    is_live = True
    seconds_to_open = 0.0

    def __init__(self, options: SourceOptions, clock: Any) -> None:
        self._clock = clock
        self._index = 0
        self._n_lost = 0
        self.closed = 0

    def open(self) -> SourceInfo:
        self._clock.advance_s(self.seconds_to_open)
        failure = self.openings.pop(0) if self.openings else None
        if failure is not None:
            raise failure
        self._index = 0
        return SourceInfo(RATE_HZ, ("L1",), 16, 800.0, 50.0, True, self.is_live)

    def read(self, timeout_s: float) -> Block | None:
        while True:
            step = self.script.pop(0) if self.script else SourceEnded("the script is over")
            if isinstance(step, Exception):
                raise step
            if step is None:  # nothing came within the time
                self._clock.advance_s(timeout_s)
                return None
            if isinstance(step, int):
                return self._block(step)
            step()

    def close(self) -> None:
        self.closed += 1

    def _block(self, n_samples: int) -> Block:
        n_lost = -min(n_samples, 0)  # a negative number: so many lost samples, then a block
        first = self._index + n_lost
        n_samples = BLOCK if n_lost else n_samples
        self._index = first + n_samples
        values = np.arange(first, first + n_samples, dtype=np.float32)[:, np.newaxis]
        return Block(first, values, n_lost)


class PatientSampler(Sampler):
    """Waits on its own clock instead of the operating system's, and remembers for how long."""

    def __init__(self, clock: ManualClock, descriptors: tuple[int, int, int]) -> None:
        super().__init__(clock, descriptors)
        self._manual = clock
        self.waits_s: list[float] = []

    def _take_credit(self, wait_s: float) -> None:
        if wait_s and not select.select([self._credits], [], [], 0)[0]:
            self.waits_s.append(wait_s)
            self._manual.advance_s(wait_s)
        super()._take_credit(0.0)


class Bench:
    """A sampler with its pipes, and the reader's end of them."""

    def __init__(self) -> None:
        self.clock = ManualClock()
        self.memory = os.memfd_create("sampler-test")
        self.reports, self._reports_end = os.pipe()
        self._credits_end, self.credits = os.pipe()
        os.set_blocking(self.reports, False)
        self._open = {self.memory, self.reports, self._reports_end, self._credits_end, self.credits}
        descriptors = (self.memory, self._reports_end, self._credits_end)
        self.sampler = PatientSampler(self.clock, descriptors)
        self._arrived = bytearray()
        self.n_read = 0
        self.n_reports = 0

    def run(self, *script: Step, openings: list[Exception | None] | None = None) -> None:
        ScriptedSource.script = list(script)
        ScriptedSource.openings = openings or []
        self.sampler.run("scripted", {"name": "scripted"})

    def told(self) -> list[Report]:
        """Everything that has been told by now."""
        while select.select([self.reports], [], [], 0)[0]:
            arrived = os.read(self.reports, 65536)
            if not arrived:
                break
            self._arrived += arrived
        found = []
        while (report := take_report(self._arrived)) is not None:
            found.append(report)
        return found

    def blocks(self) -> list[BlockReport]:
        return [
            BlockReport.unpack(report.payload)
            for report in self.told()
            if report.kind is ReportKind.BLOCK
        ]

    def give_back(self, n_samples: int, n_reports: int) -> None:
        self.n_read += n_samples
        self.n_reports += n_reports
        os.write(self.credits, Credit(self.n_read, self.n_reports).pack())

    def shut(self, descriptor: int) -> None:
        self._open.discard(descriptor)
        os.close(descriptor)

    def close(self) -> None:
        for descriptor in self._open:
            os.close(descriptor)


@pytest.fixture
def bench(monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    monkeypatch.setattr(sampler_module, "find_driver", lambda name: ScriptedSource)
    # it is for a whole process
    monkeypatch.setattr(sampler_module, "settle_process", lambda _: None)
    monkeypatch.setattr(ScriptedSource, "is_live", True)
    monkeypatch.setattr(ScriptedSource, "seconds_to_open", 0.0)
    made = Bench()
    yield made
    made.close()


def test_blocks_lie_in_the_ring_and_the_end_is_told(bench: Bench) -> None:
    bench.run(BLOCK, 7, BLOCK)
    opened, *told = bench.told()
    assert opened.kind is ReportKind.OPENED
    assert json.loads(opened.payload)["inputs"] == ["L1"]
    assert told.pop().kind is ReportKind.ENDED
    blocks = [BlockReport.unpack(report.payload) for report in told]
    assert [(block.first_index, block.n_samples) for block in blocks] == [
        (0, BLOCK), (BLOCK, 7), (BLOCK + 7, BLOCK),
    ]  # fmt: skip
    samples = Ring(bench.memory, CAPACITY, 1).read(0, 2 * BLOCK + 7)
    assert np.array_equal(samples[:, 0], np.arange(2 * BLOCK + 7))


def test_a_live_input_that_finds_no_room_loses_and_counts(bench: Bench) -> None:
    """Four blocks fill the ring; three more are lost; then all is read and there is room again."""
    bench.run(*[BLOCK] * 7, lambda: bench.give_back(4 * BLOCK, 4), BLOCK, BLOCK)
    blocks = bench.blocks()
    assert [block.n_lost for block in blocks] == [0, 0, 0, 0, 3 * BLOCK, 0]
    assert [block.first_index for block in blocks] == [n * BLOCK for n in (0, 1, 2, 3, 7, 8)]
    # the first block after the loss lies where the ring wraps to; it holds its own samples
    samples = Ring(bench.memory, CAPACITY, 1).read(4 * BLOCK, BLOCK)
    assert np.array_equal(samples[:, 0], np.arange(7 * BLOCK, 8 * BLOCK))


def test_what_the_device_lost_is_added_to_what_found_no_room(bench: Bench) -> None:
    bench.run(
        *[BLOCK] * 4, -30, lambda: bench.give_back(4 * BLOCK, 4), -5, BLOCK
    )  # -30: a block after 30 samples that the device lost
    last_but_one, last = bench.blocks()[-2:]
    assert last_but_one.n_lost == 30 + BLOCK + 5
    assert last_but_one.first_index == 4 * BLOCK + 30 + BLOCK + 5
    assert (last.n_lost, last.first_index) == (0, last_but_one.first_index + BLOCK)


def test_samples_lost_at_the_very_end_are_told_too(bench: Bench) -> None:
    bench.run(*[BLOCK] * 6)
    blocks = bench.blocks()
    assert blocks[-1] == BlockReport(6 * BLOCK, 0, 2 * BLOCK, bench.clock.monotonic_ns())
    assert sum(block.n_samples + block.n_lost for block in blocks) == 6 * BLOCK


def test_a_reader_that_never_reads_reports_cannot_block_a_live_input(bench: Bench) -> None:
    """Small blocks fill the pipe of reports before they fill the ring: no write may block."""
    n_blocks = 3 * MAX_UNREAD_REPORTS
    bench.run(*[1] * n_blocks)
    blocks = bench.blocks()
    assert len(blocks) == MAX_UNREAD_REPORTS + 1
    assert (blocks[-1].n_samples, blocks[-1].n_lost) == (n_blocks - MAX_UNREAD_REPORTS, 0)
    samples = Ring(bench.memory, CAPACITY, 1).read(0, n_blocks)
    assert np.array_equal(samples[:, 0], np.arange(n_blocks))


def test_a_loss_between_blocks_that_nobody_reads_is_counted_where_it_was(bench: Bench) -> None:
    """The report of the blocks before it waits; nothing can be joined to it across the loss."""
    full = [1] * MAX_UNREAD_REPORTS
    reads = MAX_UNREAD_REPORTS - 10
    bench.run(*full, 1, 2, -7, 3, lambda: bench.give_back(reads, reads), -5, 4)
    joined, first, second = bench.blocks()[-3:]
    assert (joined.first_index, joined.n_samples, joined.n_lost) == (MAX_UNREAD_REPORTS, 3, 0)
    # 7 lost by the device, the block after them and one of 3 that found no room, 5 lost later
    assert (first.n_samples, first.n_lost) == (BLOCK, 7 + BLOCK + 3 + 5)
    assert (second.first_index, second.n_samples) == (first.first_index + BLOCK, 4)
    assert first.first_index == joined.first_index + joined.n_samples + first.n_lost


def test_faults_that_nobody_reads_cannot_block_it(bench: Bench) -> None:
    """2000 faults of 100 letters are more than a pipe of 64 KiB holds (pipe(7))."""
    bench.run(*[SourceFailed("x" * 100)] * 2000, BLOCK)
    told = bench.told()
    assert told[-1].kind is not ReportKind.FAILED
    assert 300 < sum(report.kind is ReportKind.FAILED for report in told) < 65_536 / 100


def test_a_live_input_that_falls_silent_is_opened_again(bench: Bench) -> None:
    n_silent = int(SILENCE_S / READ_TIMEOUT_S) + 1
    bench.run(BLOCK, *[None] * n_silent, BLOCK)
    told = bench.told()
    faults = [report.payload.decode() for report in told if report.kind is ReportKind.FAILED]
    assert faults == ["no sample came for 15 s"]
    blocks = [BlockReport.unpack(one.payload) for one in told if one.kind is ReportKind.BLOCK]
    # lost since the last sample, not since the silence was noticed
    assert blocks[1].n_lost == round((n_silent * READ_TIMEOUT_S + FIRST_WAIT_S) * RATE_HZ)


def test_a_recording_waits_for_room_and_loses_nothing(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ScriptedSource, "is_live", False)
    blocks: list[BlockReport] = []

    class SlowReader(PatientSampler):
        """Reads one block each time the sampler would have to wait."""

        def _take_credit(self, wait_s: float) -> None:
            if wait_s:
                blocks.extend(bench.blocks())
                bench.give_back(BLOCK, 1)
            super()._take_credit(wait_s)

    bench.sampler.__class__ = SlowReader
    bench.run(*[BLOCK] * 12)
    blocks += bench.blocks()
    assert [block.first_index for block in blocks] == [n * BLOCK for n in range(12)]
    assert not any(block.n_lost for block in blocks)
    assert bench.n_reports == 12 - 4  # so often the ring of four blocks was full


def test_a_device_that_fails_is_opened_again_and_the_gap_counted(bench: Bench) -> None:
    refusals: list[Exception | None] = [SourceUnavailable(f"attempt {n}") for n in range(7)]
    ScriptedSource.seconds_to_open = 0.25
    bench.run(BLOCK, SourceFailed("pulled out"), BLOCK, BLOCK, openings=[None, *refusals])
    told = bench.told()
    faults = [report.payload.decode() for report in told if report.kind is ReportKind.FAILED]
    assert faults == ["pulled out", *(f"attempt {n}" for n in range(7))]
    waits_s = [FIRST_WAIT_S, 2.0, 4.0, 8.0, 16.0, LONGEST_WAIT_S, LONGEST_WAIT_S, LONGEST_WAIT_S]
    assert bench.sampler.waits_s == waits_s
    blocks = [
        BlockReport.unpack(report.payload) for report in told if report.kind is ReportKind.BLOCK
    ]
    # eight attempts, the eighth was good: the waits and 0.25 s for each attempt
    n_away = round((sum(waits_s) + 8 * 0.25) * RATE_HZ)
    assert [block.n_lost for block in blocks] == [0, n_away, 0]
    assert [block.first_index for block in blocks] == [0, BLOCK + n_away, 2 * BLOCK + n_away]


def test_two_failures_in_a_row_are_both_counted(bench: Bench) -> None:
    bench.run(BLOCK, SourceFailed("one"), SourceFailed("two"), BLOCK)
    first, second = bench.blocks()
    assert second.n_lost == round(2 * FIRST_WAIT_S * RATE_HZ)
    assert second.first_index == first.n_samples + second.n_lost


def test_a_failing_recording_is_not_played_from_its_start_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ScriptedSource, "is_live", False)
    with pytest.raises(SourceFailed, match="became shorter"):
        bench.run(BLOCK, SourceFailed("became shorter"), BLOCK)
    assert len(bench.blocks()) == 1


def test_options_that_do_not_fit_any_more_are_told_and_tried_again(bench: Bench) -> None:
    """As with a sound card that came back as another one: it may come back right."""
    refusals = [OptionError("no input 3 any more"), None]
    bench.run(BLOCK, SourceFailed("pulled out"), BLOCK, openings=[None, *refusals])
    told = bench.told()
    faults = [report.payload.decode() for report in told if report.kind is ReportKind.FAILED]
    assert faults == ["pulled out", "no input 3 any more"]
    assert bench.sampler.waits_s == [FIRST_WAIT_S, 2.0]


def test_a_device_that_comes_back_with_another_rate_is_not_taken(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, rates_hz = ScriptedSource.open, [RATE_HZ, 2 * RATE_HZ, RATE_HZ]

    def changed(source: ScriptedSource) -> SourceInfo:
        return replace(real(source), sample_rate_hz=rates_hz.pop(0))

    monkeypatch.setattr(ScriptedSource, "open", changed)
    bench.run(BLOCK, SourceFailed("pulled out"), BLOCK)
    told = bench.told()
    faults = [report.payload.decode() for report in told if report.kind is ReportKind.FAILED]
    assert faults[0] == "pulled out"
    assert faults[1].startswith("the device came back different: ")
    assert len(faults) == 2


@pytest.mark.parametrize("error", [OptionError("no such file"), SourceUnavailable("not there")])
def test_a_device_that_does_not_open_at_first_ends_it(bench: Bench, error: Exception) -> None:
    with pytest.raises(type(error)):
        bench.run(openings=[error])
    assert bench.told() == []


def test_it_ends_when_its_reader_goes_away(bench: Bench) -> None:
    with pytest.raises(sampler_module._ReaderGoneError):
        bench.run(BLOCK, lambda: bench.shut(bench.credits), *[BLOCK] * 1000)


def test_what_was_held_back_is_told_when_its_reader_stops(bench: Bench) -> None:
    full = [1] * MAX_UNREAD_REPORTS
    with pytest.raises(sampler_module._ReaderGoneError):
        bench.run(*full, 1, 1, lambda: bench.shut(bench.credits), 1)
    assert sum(block.n_samples for block in bench.blocks()) == MAX_UNREAD_REPORTS + 2


def test_it_ends_while_waiting_for_a_device_that_stays_away(bench: Bench) -> None:
    def refusals() -> Iterator[Exception | None]:
        yield None
        yield SourceUnavailable("still away")
        bench.shut(bench.credits)
        yield SourceUnavailable("still away")

    class Openings(list[Exception | None]):
        def __init__(self) -> None:
            super().__init__([None])
            self._rest = refusals()

        def pop(self, index: Any = -1) -> Exception | None:
            return next(self._rest)

    with pytest.raises(sampler_module._ReaderGoneError):
        bench.run(SourceFailed("x"), openings=Openings())
    # From the first failure to the stop nobody watched: waits of 1 s and 2 s at least.
    [rest] = bench.blocks()
    assert (rest.first_index, rest.n_samples) == (rest.n_lost, 0)
    away_s = bench.clock.monotonic_ns() / 1e9 - 1000.0
    assert rest.n_lost == pytest.approx(away_s * RATE_HZ, abs=1)
    assert rest.n_lost >= 3 * RATE_HZ


def test_reports_to_nobody_end_it(bench: Bench) -> None:
    with pytest.raises(BrokenPipeError):
        bench.run(BLOCK, lambda: bench.shut(bench.reports), BLOCK)


def test_a_report_that_does_not_fit_at_once_is_written_in_parts(bench: Bench) -> None:
    """More than a pipe holds: the rest waits for the reader, and arrives whole."""
    text = "x" * 200_000
    told: list[Report] = []

    def drain() -> None:
        while not any(report.kind is ReportKind.ENDED for report in told):
            select.select([bench.reports], [], [], 1.0)
            told.extend(bench.told())

    reader = threading.Thread(target=drain)
    reader.start()
    bench.run(SourceFailed(text), BLOCK)
    reader.join(5)
    assert [report.payload.decode() for report in told if report.kind is ReportKind.FAILED] == [
        text
    ]


def test_signals_are_for_the_measuring_process(tmp_path: Path) -> None:
    """Ctrl-C reaches the whole group: the sampler must go on until its reader has finished."""
    (tmp_path / "s.yaml").write_text("supply: {nominal_v: 230, frequency_hz: 50}\n")
    memory = os.memfd_create("sampler-test")
    reports, reports_end = os.pipe()
    credits_end, credits_start = os.pipe()
    ours = (memory, reports_end, credits_end)
    with subprocess.Popen(
        [sys.executable, "-m", "daemon.sampler", *map(str, ours)],
        stdin=subprocess.PIPE,
        pass_fds=ours,
        cwd=CHECKOUT,
        env=environment(),
    ) as process:
        options = {"name": "simulated", "scenario": str(tmp_path / "s.yaml")}
        assert process.stdin is not None
        process.stdin.write(json.dumps({"name": "simulated", "options": options}).encode())
        process.stdin.close()
        assert os.read(reports, 5)[0] == ReportKind.OPENED
        for number in (signal.SIGINT, signal.SIGTERM):
            process.send_signal(number)
        with pytest.raises(subprocess.TimeoutExpired):
            process.wait(0.3)
        os.close(credits_start)
        assert process.wait(5) == 0
    for descriptor in (memory, reports, reports_end, credits_end):
        os.close(descriptor)


def test_it_settles_where_that_is_allowed() -> None:
    """In a process of its own: the collector is off, and no right is needed."""
    code = (
        "import gc; from daemon.sampler import settle_process; settle_process(1 << 20); "
        "print(gc.isenabled(), gc.get_freeze_count() > 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment()
    )
    assert done.stdout.split() == ["False", "True"]
