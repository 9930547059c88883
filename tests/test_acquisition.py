"""The measuring process's end of the acquisition, with the real sampler process."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.acquisition import Acquisition, DeviceFault, Fetched
from daemon.ring import MAX_UNREAD_REPORTS, RING_S, ReportKind, pack_report
from daemon.sampler_process import SamplerProcess
from drivers.clock import ManualClock
from drivers.errors import OptionError, SourceEnded, SourceFailed
from drivers.recording import RecordingSource
from drivers.registry import find_driver
from drivers.source import Block, SourceOptions
from tests.whole_material import CHECKOUT, RATE_HZ, mains, until, wav_driver, write_wav


def options(folder: Path, **keys: Any) -> SourceOptions:
    model = find_driver(str(keys["name"])).Options
    return model.model_validate(keys, context={"base_dir": folder})


def simulated(folder: Path, **keys: Any) -> SourceOptions:
    (folder / "s.yaml").write_text("supply: {nominal_v: 230, frequency_hz: 50}\n")
    return options(folder, name="simulated", scenario="s.yaml", **keys)


def fetch_all(acquisition: Acquisition) -> Iterator[Block]:
    while True:
        try:
            fetched = acquisition.fetch(5.0)
        except SourceEnded:
            return
        assert isinstance(fetched, Fetched)
        yield fetched.block


def test_a_recording_arrives_as_it_is(tmp_path: Path) -> None:
    """Longer than the ring, so that the sampler has to wait for its reader again and again."""
    noise = np.random.default_rng(1).normal(0, 100, round((2 * RING_S + 5) * RATE_HZ))
    write_wav(tmp_path / "a.wav", noise)
    given = options(tmp_path, **wav_driver())
    with closing(Acquisition(given)) as acquisition:
        info = acquisition.open()
        time.sleep(0.5)  # a slow start: the ring is full before the first fetch
        blocks = list(fetch_all(acquisition))
    source = RecordingSource(given, ManualClock())
    assert source.open() == info
    direct = [source.read(0) for _ in blocks]
    source.close()
    assert [block.first_index for block in blocks] == [one.first_index for one in direct if one]
    assert all(block.n_lost == 0 for block in blocks)
    assert np.array_equal(
        np.concatenate([block.volts for block in blocks]),
        np.concatenate([one.volts for one in direct if one]),
    )
    assert not blocks[0].volts.flags.writeable


def test_the_end_can_be_asked_for_again(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", mains(0.1))
    with closing(Acquisition(options(tmp_path, **wav_driver()))) as acquisition:
        acquisition.open()
        assert sum(len(block.volts) for block in fetch_all(acquisition)) == 0.1 * RATE_HZ
        with pytest.raises((SourceEnded, SourceFailed)):
            acquisition.fetch(1.0)


def test_a_live_input_fills_the_whole_ring_in_small_blocks(tmp_path: Path) -> None:
    """Blocks of 1 ms: more of them than there may be unread reports, and none is lost."""
    given = simulated(tmp_path, sample_rate_hz=2000, block_s=0.001, duration_s=2.5)
    with closing(Acquisition(given)) as acquisition:
        info = acquisition.open()
        time.sleep(MAX_UNREAD_REPORTS * 0.001 + 0.7)
        blocks = list(fetch_all(acquisition))
    assert max(len(block.volts) for block in blocks) > 100  # joined while nobody read
    assert sum(len(block.volts) for block in blocks) == info.n_samples
    assert not any(block.n_lost for block in blocks)


def test_samples_that_find_no_room_are_counted_exactly(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The reader is stopped for longer than the ring of a second; the sampler never is."""
    given = simulated(tmp_path, sample_rate_hz=2000, duration_s=4.0)
    monkeypatch.setenv("PYTHONPATH", str(CHECKOUT))
    with closing(short_ring(given, monkeypatch)) as acquisition:
        info = acquisition.open()
        time.sleep(2.0)
        blocks = list(fetch_all(acquisition))
    expected = 0
    for block in blocks:
        assert block.first_index == expected + block.n_lost
        expected = block.first_index + len(block.volts)
    n_lost = sum(block.n_lost for block in blocks)
    assert expected == info.n_samples
    # 2.0 s less the second that fits; half a second for the machine to be late
    assert 0.5 * 2000 < n_lost <= 1.5 * 2000


def short_ring(given: SourceOptions, patch: pytest.MonkeyPatch) -> Acquisition:
    """With a ring of one second on both sides."""
    code = (
        "import sys; from daemon import sampler; sampler.RING_S = 1.0; "
        "sys.argv[:] = sys.argv[-4:]; sys.exit(sampler.main())"
    )
    real = subprocess.Popen

    def start(command: list[str], **keys: Any) -> "subprocess.Popen[bytes]":
        return real([sys.executable, "-c", code, *command[3:]], **keys)

    patch.setattr("daemon.acquisition.RING_S", 1.0)
    patch.setattr("daemon.acquisition.subprocess.Popen", start)
    return Acquisition(given)


def test_what_was_taken_before_the_stop_can_still_be_fetched(tmp_path: Path) -> None:
    with closing(Acquisition(simulated(tmp_path, sample_rate_hz=2000))) as acquisition:
        acquisition.open()
        time.sleep(1.0)
        acquisition.stop()
        acquisition.stop()
        blocks = list(fetch_all(acquisition))
    n_samples = sum(len(block.volts) for block in blocks)
    # a second, less the time to open, and the quarter that a read may take
    assert 0.9 * 2000 < n_samples < 1.5 * 2000


def test_arrival_is_when_the_last_sample_was_there(tmp_path: Path) -> None:
    with closing(Acquisition(simulated(tmp_path, duration_s=0.3))) as acquisition:
        before_ns = time.monotonic_ns()
        acquisition.open()
        first = acquisition.fetch(5.0)
        second = acquisition.fetch(5.0)
        assert isinstance(first, Fetched)
        assert isinstance(second, Fetched)
        assert before_ns < first.arrival_ns < second.arrival_ns < time.monotonic_ns()


def test_nothing_within_the_time_is_none(tmp_path: Path) -> None:
    with closing(Acquisition(simulated(tmp_path, block_s=5.0))) as acquisition:
        acquisition.open()
        before_s = time.monotonic()
        assert acquisition.fetch(0.05) is None
        assert 0.05 <= time.monotonic() - before_s < 1.0


def test_a_killed_sampler_is_a_failure(tmp_path: Path) -> None:
    with closing(Acquisition(simulated(tmp_path))) as acquisition:
        acquisition.open()
        os.kill(acquisition._process.pid, signal.SIGKILL)
        with pytest.raises(SourceFailed, match="ended unexpectedly"):
            list(fetch_all(acquisition))


def test_wrong_options_are_said_in_the_driver_s_words(tmp_path: Path) -> None:
    (tmp_path / "a.wav").write_bytes(b"")
    with (
        closing(Acquisition(options(tmp_path, **wav_driver()))) as acquisition,
        pytest.raises(OptionError, match=r"a\.wav is empty"),
    ):
        acquisition.open()


def test_a_recording_that_becomes_shorter_ends_with_the_reason(tmp_path: Path) -> None:
    path = write_wav(tmp_path / "a.wav", mains(4 * RING_S))
    with closing(Acquisition(options(tmp_path, **wav_driver()))) as acquisition:
        acquisition.open()
        until(lambda: acquisition.fetch(0.1))
        os.truncate(path, path.stat().st_size // 2)
        with pytest.raises(SourceFailed, match="became shorter"):
            list(fetch_all(acquisition))


def test_a_device_fault_is_handed_on(tmp_path: Path) -> None:
    with closing(Acquisition(simulated(tmp_path, block_s=5.0))) as acquisition:
        acquisition.open()
        acquisition._arrived += pack_report(ReportKind.FAILED, b"pulled out")
        assert acquisition.fetch(0.0) == DeviceFault("pulled out")


def test_closing_ends_the_sampler_even_while_it_waits(tmp_path: Path) -> None:
    """The autouse check sees a process, were one left."""
    write_wav(tmp_path / "a.wav", mains(2 * RING_S))
    acquisition = Acquisition(options(tmp_path, **wav_driver()))
    acquisition.open()
    time.sleep(0.5)  # the ring is full now: the sampler waits for room
    before_s = time.monotonic()
    acquisition.close()
    acquisition.close()
    assert time.monotonic() - before_s < 2.0
    assert acquisition._process.returncode == 0


def test_a_sampler_that_gets_nothing_to_do_is_gone() -> None:
    """The autouse check sees a process, were one left."""
    with closing(SamplerProcess()) as sampler:
        pass
    sampler.close()
    assert sampler.process.returncode is not None


def test_a_sampler_started_before_is_the_one_that_samples(tmp_path: Path) -> None:
    with closing(SamplerProcess()) as sampler:
        acquisition = Acquisition(simulated(tmp_path, duration_s=0.3), sampler)
    with closing(acquisition):
        assert acquisition.open().inputs == ("L1",)
        assert acquisition._process.pid == sampler.process.pid


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_while_the_sampler_starts_does_not_end_it(
    tmp_path: Path, number: signal.Signals
) -> None:
    """A terminal sends Ctrl-C to both processes, a service manager what ends it."""
    sampler = SamplerProcess()
    sampler.process.send_signal(number)
    with closing(Acquisition(simulated(tmp_path, duration_s=0.3), sampler)) as acquisition:
        assert acquisition.open().inputs == ("L1",)
