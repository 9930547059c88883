"""One contract for every driver of a converter, each against the model of its chip."""

import json
import os
from dataclasses import replace

import numpy as np
import pytest

from daemon.plan import ChannelSetup
from daemon.records import Event, Kind
from daemon.ring import BlockReport, ReportKind, take_report
from daemon.sampler import Sampler
from drivers.clock import Clock, SystemClock
from drivers.errors import SourceEnded, SourceFailed, SourceUnavailable
from drivers.registry import DRIVERS, find_driver
from drivers.source import Block, Source, SourceInfo, SourceOptions
from tests.chips.rigs import CASES, DIP_LENGTH_S, DIP_TO, SENSOR, Case, Rig
from tests.signals import make_setup, run_blocks

EVERY = pytest.mark.parametrize("case", CASES, ids=[case.name for case in CASES])


def play(rig: Rig, n_samples: int) -> list[Block]:
    blocks: list[Block] = []
    for _ in range(1000):
        block = rig.source.read(0.1)
        if block is not None:
            blocks.append(block)
        if sum(len(block.volts) for block in blocks) >= n_samples:
            return blocks
    raise AssertionError("no samples come")


@EVERY
class TestEveryConverter:
    def test_says_what_it_can_do(self, case: Case) -> None:
        rig = case.rig()
        info = rig.source.open()
        assert rig.source.is_hardware
        assert info.is_live
        assert (info.sample_rate_hz, info.bits) == (case.rate_hz, case.bits)
        assert 0 < info.bandwidth_hz <= info.sample_rate_hz / 2
        assert info.full_scale_v > 0.3
        assert 0 <= info.jitter_s < 1e-6  # the bench's operating system always takes as long
        json.dumps([info.jitter_s, info.bandwidth_hz, info.inputs])
        rig.source.close()

    def test_blocks_are_as_the_contract_says(self, case: Case) -> None:
        rig = case.rig()
        info = rig.source.open()
        end = 0
        for block in play(rig, 1000):
            assert block.volts.dtype == np.float32
            assert block.volts.shape == (len(block.volts), len(info.inputs))
            assert not block.volts.flags.writeable
            assert (block.first_index, block.n_lost) == (end, 0)
            assert np.all(np.abs(block.volts) <= info.full_scale_v)
            end += len(block.volts)
        rig.source.close()

    def test_comes_at_its_own_rate_and_never_early(self, case: Case) -> None:
        rig = case.rig()
        rig.source.open()
        begin_ns = rig.clock.monotonic_ns()
        n_wanted = round(case.rate_hz / 2)
        blocks = play(rig, n_wanted)
        n_samples = sum(len(block.volts) for block in blocks)
        took_s = (rig.clock.monotonic_ns() - begin_ns) / 1e9
        assert took_s == pytest.approx(n_samples / case.rate_hz, abs=0.03)  # a block of 20 ms
        assert n_samples / case.rate_hz <= took_s + 2 / case.rate_hz
        rig.source.close()

    def test_never_waits_longer_than_told(self, case: Case) -> None:
        """But for a transfer once begun, at most 0.1 ms here."""
        rig = case.rig()
        rig.source.open()
        for timeout_s in (0.0, 0.001, 0.0031, 0.05) * 5:
            before_ns = rig.clock.monotonic_ns()
            rig.source.read(timeout_s)
            assert (rig.clock.monotonic_ns() - before_ns) / 1e9 <= timeout_s + 1e-4
        rig.source.close()

    def test_short_timeouts_lose_nothing(self, case: Case) -> None:
        rig = case.rig()
        rig.source.open()
        blocks = [block for _ in range(300) if (block := rig.source.read(0.0007)) is not None]
        assert len(blocks) > 3
        assert sum(block.n_lost for block in blocks) == 0
        rig.source.close()

    def test_reading_needs_an_open_source(self, case: Case) -> None:
        rig = case.rig()
        with pytest.raises(SourceFailed, match="not open"):
            rig.source.read(0.1)
        rig.source.close()
        rig.source.open()
        rig.source.close()
        rig.source.close()
        with pytest.raises(SourceFailed, match="not open"):
            rig.source.read(0.1)

    def test_fails_while_reading_and_comes_back(self, case: Case) -> None:
        rig = case.rig()
        info = rig.source.open()
        play(rig, 100)
        rig.fail(True)
        with pytest.raises(SourceFailed, match="Input/output error"):
            play(rig, 1000)
        rig.source.close()
        with pytest.raises(SourceUnavailable):
            rig.source.open()
        rig.fail(False)
        assert replace(rig.source.open(), jitter_s=0.0, bandwidth_hz=1.0) == replace(
            info, jitter_s=0.0, bandwidth_hz=1.0
        )
        assert play(rig, 100)[0].first_index == 0
        rig.source.close()

    def test_a_dip_is_measured_through_it(self, case: Case) -> None:
        """Five cycles at 60 %: urms_half sees 60 % of 230 V, and lasts a half cycle more or less
        (IEC 61000-4-30: one-cycle values each half cycle)."""
        rig = case.rig()
        info = rig.source.open()
        blocks = play(rig, round(1.8 * info.sample_rate_hz))
        rig.source.close()
        setup = replace(
            make_setup(info.sample_rate_hz, channels=("L1",)),
            full_scale_v=info.full_scale_v,
            channels=(ChannelSetup("L1", 0, 1.0 / SENSOR, 0.0),),
        )
        ran = run_blocks(blocks, setup)
        events: dict[int, Event] = {event.number: event for event in ran.events}
        assert [event.kind for event in events.values()] == [Kind.DIP]
        dip = next(iter(events.values()))
        assert dip.value == pytest.approx(DIP_TO * 230, abs=230 * case.tolerance_pct / 100)
        assert dip.duration_s == pytest.approx(DIP_LENGTH_S, abs=0.0201)
        assert ran.half_cycles[0].urms_v[:20] == pytest.approx(
            230.0, abs=230 * case.tolerance_pct / 100
        )

    def test_the_sampler_opens_it_again_and_counts_the_gap(
        self, case: Case, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The device fails once in the middle, is away at the first attempt, and comes back."""
        rig = case.rig()
        script = Script(rig)
        monkeypatch.setattr("daemon.sampler.find_driver", lambda name: script.bind)
        monkeypatch.setattr("daemon.sampler.settle_process", lambda _: None)
        monkeypatch.setattr("daemon.sampler.FIRST_WAIT_S", 0.05)
        told = sampled()
        kinds = [kind for kind, _ in told]
        assert kinds[0] is ReportKind.OPENED
        assert kinds[-1] is ReportKind.ENDED
        assert kinds.count(ReportKind.FAILED) == 2
        blocks = [BlockReport.unpack(payload) for kind, payload in told if kind is ReportKind.BLOCK]
        end = 0
        for block in blocks:
            assert block.first_index == end + block.n_lost
            end = block.first_index + block.n_samples
        lost = [block.n_lost for block in blocks if block.n_lost]
        assert len(lost) == 1
        assert lost[0] >= 0.15 * case.rate_hz * 0.9  # two waits, 0.05 s and twice as long


class Script:
    """Reads ten blocks, fails, is away once, reads ten more, and ends."""

    Options = SourceOptions

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._n_blocks = 0
        self._n_opened = 0

    @property
    def bind(self) -> type[Source]:
        script = self

        class Scripted(Source):
            Options = SourceOptions

            def __init__(self, options: SourceOptions, clock: Clock) -> None:
                pass

            def open(self) -> SourceInfo:
                return script.open()

            def read(self, timeout_s: float) -> Block | None:
                return script.read(timeout_s)

            def close(self) -> None:
                script._rig.source.close()

        return Scripted

    def open(self) -> SourceInfo:
        self._n_opened += 1
        try:
            return self._rig.source.open()
        finally:
            self._rig.fail(False)

    def read(self, timeout_s: float) -> Block | None:
        if self._n_blocks == 10 and self._n_opened == 1:
            self._rig.fail(True)
        if self._n_blocks == 20:
            raise SourceEnded
        block = self._rig.source.read(timeout_s)
        self._n_blocks += block is not None
        return block


def sampled() -> list[tuple[ReportKind, bytes]]:
    """What the sampler tells, from its start to its end, when there is always room."""
    memory = os.memfd_create("ring")
    reports, told = os.pipe()
    credits, give = os.pipe()
    try:
        Sampler(SystemClock(), (memory, told, credits)).run("any", {"name": "any"})
        os.set_blocking(reports, False)
        arrived = bytearray(os.read(reports, 65536))
    finally:
        for descriptor in (memory, reports, told, credits, give):
            os.close(descriptor)
    found = []
    while (report := take_report(arrived)) is not None:
        found.append((report.kind, report.payload))
    return found


def test_every_driver_of_a_converter_is_under_contract() -> None:
    hardware = {name for name in DRIVERS if find_driver(name).is_hardware}
    assert {case.name for case in CASES} == hardware
