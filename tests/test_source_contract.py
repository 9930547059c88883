"""One contract for every driver that needs no hardware, and the registry that finds them."""

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from drivers.clock import ManualClock
from drivers.errors import OptionError, SourceEnded, SourceFailed
from drivers.registry import DRIVERS, driver_names, find_driver
from drivers.source import Block, Source, SourceInfo, SourceOptions
from tests.whole_material import RATE_HZ, mains, wav_driver, write_wav

DURATION_S = 1.5
N_LOST = 100
SCENARIO = """
duration_s: 1.5
supply: {nominal_v: 230, frequency_hz: 50, wiring: split_phase}
converter: {bits: 12, full_scale_v: 400}
timeline:
  - {kind: lost_samples, at_s: 0.5, n_samples: 100}
  - {kind: swell, at_s: 0.8, duration_s: 0.2, magnitude_pct: 190}
"""


@dataclass(frozen=True)
class Case:
    """A driver, what it plays, and what that is known to hold."""

    driver: str
    prepare: Callable[[Path], dict[str, object]]
    inputs: tuple[str, ...]
    bits: int
    full_scale_v: float
    n_lost: int
    is_live: bool

    def source(self, folder: Path, clock: ManualClock) -> Source:
        driver = find_driver(self.driver)
        options = driver.Options.model_validate(
            {"name": self.driver, **self.prepare(folder)}, context={"base_dir": folder}
        )
        return driver(options, clock)


def scenario(pace: str) -> Callable[[Path], dict[str, object]]:
    def prepare(folder: Path) -> dict[str, object]:
        (folder / "s.yaml").write_text(SCENARIO)
        return {"scenario": "s.yaml", "sample_rate_hz": RATE_HZ, "pace": pace}

    return prepare


def wav(pace: str) -> Callable[[Path], dict[str, object]]:
    def prepare(folder: Path) -> dict[str, object]:
        volts = mains(DURATION_S)
        write_wav(folder / "a.wav", np.stack([volts, -volts], axis=1))
        return wav_driver(pace=pace)

    return prepare


def comtrade(pace: str) -> Callable[[Path], dict[str, object]]:
    """A 1999 record, ASCII data: 0x8000 of binary data is 99999 here, a missing value."""

    def prepare(folder: Path) -> dict[str, object]:
        counts = np.round(mains(DURATION_S) / 0.1).astype(int)
        values = [str(count) for count in counts]
        values[4000 : 4000 + N_LOST] = ["99999"] * N_LOST
        lines = [f"{n + 1},{n * 125},{value}" for n, value in enumerate(values)]
        (folder / "r.dat").write_text("\r\n".join(lines) + "\r\n")
        (folder / "r.cfg").write_text(
            "Bench,1,1999\r\n1,1A,0D\r\n"
            "1,VA,A,,V,0.1,0,0,-32767,32767,1,1,P\r\n50\r\n1\r\n"
            f"{RATE_HZ},{len(values)}\r\n"
            "01/03/2026,12:00:00.000000\r\n01/03/2026,12:00:00.500000\r\nASCII\r\n1\r\n"
        )
        return {"path": "r.cfg", "pace": pace}

    return prepare


FAST, PACED = "as_fast_as_possible", "realtime"
CASES = {
    "simulated-fast": Case("simulated", scenario(FAST), ("L1", "L2"), 12, 400, N_LOST, False),
    "simulated-paced": Case("simulated", scenario(PACED), ("L1", "L2"), 12, 400, N_LOST, True),
    "wav-fast": Case("recording", wav(FAST), ("ch1", "ch2"), 16, 800, 0, False),
    "wav-paced": Case("recording", wav(PACED), ("ch1", "ch2"), 16, 800, 0, True),
    "comtrade-fast": Case("recording", comtrade(FAST), ("VA",), 0, 0, N_LOST, False),
    "comtrade-paced": Case("recording", comtrade(PACED), ("VA",), 0, 0, N_LOST, True),
}


@contextmanager
def opened(case: Case, folder: Path) -> Iterator[tuple[Source, SourceInfo, ManualClock]]:
    clock = ManualClock()
    source = case.source(folder, clock)
    info = source.open()
    try:
        yield source, info, clock
    finally:
        source.close()


def play(source: Source) -> list[Block]:
    """Every block to the end; at most so many reads that a driver which never ends is noticed."""
    blocks: list[Block] = []
    for _ in range(10_000):
        try:
            block = source.read(0.5)
        except SourceEnded:
            return blocks
        if block is not None:
            blocks.append(block)
    raise AssertionError("the source does not end")


@pytest.mark.parametrize("case", CASES.values(), ids=CASES.keys())
class TestEverySource:
    def test_says_what_it_can_do(self, case: Case, tmp_path: Path) -> None:
        with opened(case, tmp_path) as (_, info, _):
            assert info.inputs == case.inputs
            assert info.sample_rate_hz == RATE_HZ
            assert info.is_live is case.is_live
            assert 0 < info.bandwidth_hz <= RATE_HZ / 2
            assert info.n_samples == DURATION_S * RATE_HZ
            assert 8 <= info.bits <= 64
            assert info.full_scale_v > 0
            if case.bits:  # a COMTRADE record's range follows from its header: tests/test_comtrade
                assert (info.bits, info.full_scale_v) == (case.bits, case.full_scale_v)

    def test_accounts_for_every_sample(self, case: Case, tmp_path: Path) -> None:
        with opened(case, tmp_path) as (source, info, _):
            blocks = play(source)
        expected = 0
        for block in blocks:
            assert block.n_lost >= 0
            assert block.first_index == expected + block.n_lost
            expected = block.first_index + len(block.volts)
        assert expected == info.n_samples
        assert sum(block.n_lost for block in blocks) == case.n_lost

    def test_blocks_are_float32_and_nobody_can_write_to_them(
        self, case: Case, tmp_path: Path
    ) -> None:
        with opened(case, tmp_path) as (source, info, _):
            for block in play(source):
                assert block.volts.dtype == np.float32
                assert block.volts.shape == (len(block.volts), len(info.inputs))
                with pytest.raises(ValueError, match="read-only"):
                    block.volts[:1] = 0.0

    def test_volts_are_finite_and_within_full_scale(self, case: Case, tmp_path: Path) -> None:
        with opened(case, tmp_path) as (source, info, _):
            peak_v = max(float(np.abs(block.volts).max()) for block in play(source))
        # 230 V rms has a peak of 325.27 V; the simulated swell of 190 % clips at 400 V
        assert 325.0 < peak_v <= info.full_scale_v * (1 + 1e-6)  # float32

    def test_never_waits_longer_than_told_nor_gives_what_is_not_due(
        self, case: Case, tmp_path: Path
    ) -> None:
        with opened(case, tmp_path) as (source, _, clock), suppress(SourceEnded):
            start_ns = clock.monotonic_ns()
            for timeout_s in (0.0, 0.001, 0.0301, 0.4) * 3:
                before_ns = clock.monotonic_ns()
                block = source.read(timeout_s)
                now_ns = clock.monotonic_ns()
                assert (now_ns - before_ns) / 1e9 <= timeout_s + 1e-9
                assert case.is_live or block is not None
                if block is not None and case.is_live:
                    last_index = block.first_index + len(block.volts) - 1
                    assert last_index / RATE_HZ <= (now_ns - start_ns) / 1e9 + 1e-9

    def test_is_paced_by_the_clock_only_when_live(self, case: Case, tmp_path: Path) -> None:
        with opened(case, tmp_path) as (source, _, clock):
            start_ns = clock.monotonic_ns()
            play(source)
            took_s = (clock.monotonic_ns() - start_ns) / 1e9
        # The last sample is due one sample before the whole duration is over.
        expected_s = DURATION_S if case.is_live else 0.0
        assert took_s == pytest.approx(expected_s, abs=2 / RATE_HZ)

    def test_the_end_stays_the_end(self, case: Case, tmp_path: Path) -> None:
        with opened(case, tmp_path) as (source, _, _):
            play(source)
            for _ in range(3):
                with pytest.raises(SourceEnded):
                    source.read(0.1)

    def test_reading_needs_an_open_source(self, case: Case, tmp_path: Path) -> None:
        source = case.source(tmp_path, ManualClock())
        with pytest.raises(SourceFailed):
            source.read(0.1)
        source.close()
        source.open()
        source.close()
        source.close()
        with pytest.raises(SourceFailed):
            source.read(0.1)

    def test_opening_again_starts_over(self, case: Case, tmp_path: Path) -> None:
        with opened(case, tmp_path) as (source, info, _):
            first = play(source)
            source.close()
            assert source.open() == info
            second = play(source)
        assert second[0].first_index == 0
        assert np.array_equal(
            np.concatenate([block.volts for block in first]),
            np.concatenate([block.volts for block in second]),
        )


def test_every_driver_is_under_contract() -> None:
    hardware_free = {name for name in DRIVERS if not find_driver(name).is_hardware}
    assert {case.driver for case in CASES.values()} == hardware_free


@pytest.mark.parametrize("name", DRIVERS)
def test_every_driver_is_a_source_with_options_of_its_own(name: str) -> None:
    driver = find_driver(name)
    assert issubclass(driver, Source)
    assert issubclass(driver.Options, SourceOptions)
    assert driver.Options is not SourceOptions
    assert driver.Options.model_config["extra"] == "forbid"


@pytest.mark.parametrize("name", DRIVERS)
def test_a_driver_is_imported_only_when_it_is_named(name: str) -> None:
    code = (
        "import sys\n"
        "from drivers.registry import DRIVERS, driver_names, find_driver\n"
        "modules = {target.partition(':')[0] for target in DRIVERS.values()}\n"
        "driver_names()\n"
        "assert not modules & set(sys.modules)\n"
        f"find_driver({name!r})\n"
        "print(sorted(modules & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == str([DRIVERS[name].partition(":")[0]])


@pytest.mark.parametrize("name", ["", "Simulated", "simulated ", "nothing", "os:system", "../x"])
def test_an_unknown_name_lists_the_known_ones(name: str) -> None:
    with pytest.raises(OptionError) as caught:
        find_driver(name)
    assert repr(name) in str(caught.value)
    assert all(known in str(caught.value) for known in driver_names())
