"""Every check of `preflight` with each of its outcomes, and the verb as a whole.

The limits are common practice (no source); get_throttled's bits are the Raspberry Pi
documentation's (from memory).
"""

import cmath
import math
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from numpy.typing import NDArray

from daemon.settings import Channel
from drivers.clock import ManualClock
from drivers.errors import SourceFailed
from drivers.source import Block, Source, SourceInfo, SourceOptions
from tests.sensor_source import GAIN, register, write_bench
from tools import preflight_checks as checks
from tools import preflight_facts as facts
from tools.cli import main
from tools.preflight_checks import ChannelFacts, DiskFacts, Grade, PowerFacts, RateFacts
from tools.sampling import Taken, take

GOOD, LOOK, NO = Grade.GOOD, Grade.LOOK, Grade.NO
CHANNEL = ChannelFacts("L1", 230.0, 230 + 0j, 50.01, 0.1, 0.2, 1.63, 200.0, 0.01)
RATE = RateFacts(8000.0, 8000.2, 20.0, 0.1, 0, True)
DISK = DiskFacts(True, False, 9000.0, 500.0, (0.005, 0.012), 0, None)


def turned(angle_deg: float, size: float = 230.0) -> ChannelFacts:
    return replace(CHANNEL, name="L2", phasor_v=cmath.rect(size, math.radians(angle_deg)))


@pytest.mark.parametrize(
    ("changes", "grade", "words"),
    [
        ({}, GOOD, "8000.2 a second"),
        ({"n_lost": 3}, LOOK, "3 samples were lost"),
        ({"measured_hz": None}, LOOK, "look longer"),
        ({"measured_hz": None, "is_live": False}, GOOD, "from a recording"),
        ({"measured_hz": 8012.0}, LOOK, "+0.15 %"),
        ({"measured_hz": 8012.0, "uncertainty_ppm": 900.0}, GOOD, "8012.0"),  # not sure enough
        ({"measured_hz": 7600.0}, NO, "would be wrong"),
        ({"longest_pause_s": 1.5}, LOOK, "1.5 s without a block"),
    ],
)
def test_rate(changes: dict[str, float], grade: Grade, words: str) -> None:
    finding = checks.check_rate(replace(RATE, **changes))  # type: ignore[arg-type]
    assert (finding.grade, words in finding.text) == (grade, True), finding


@pytest.mark.parametrize(
    ("full_scale_v", "peak_v", "grade", "words"),
    [
        # 230 V peak 325 V: through 200 V/V 1.63 V; 150 % needs 2.44 V and the offset of 0.01 V
        (2.46, 1.63, GOOD, "151 %"),
        (2.44, 1.63, LOOK, "149 %"),
        (1.9, 1.63, NO, "116 %"),
        (1.63, 1.63, NO, "clipped"),
    ],
)
def test_room(full_scale_v: float, peak_v: float, grade: Grade, words: str) -> None:
    finding = checks.check_room(replace(CHANNEL, input_peak_v=peak_v), 230.0, full_scale_v)
    assert (finding.grade, words in finding.text) == (grade, True), finding


@pytest.mark.parametrize(
    ("rms_v", "grade", "words"),
    [
        (207.0, GOOD, "90 %"),
        (253.0, GOOD, "110 %"),
        (200.0, LOOK, "an event from the start"),
        (115.0, NO, "half supply.nominal_v"),
        (325.0, NO, "peak value"),
        (60.0, NO, "a quarter of"),
        (3.0, NO, "no voltage"),
        (290.0, NO, "far from nominal"),
    ],
)
def test_level(rms_v: float, grade: Grade, words: str) -> None:
    finding = checks.check_level(replace(CHANNEL, rms_v=rms_v), 230.0)
    assert (finding.grade, words in finding.text) == (grade, True), finding


@pytest.mark.parametrize(
    ("hz", "nominal_hz", "grade", "words"),
    [
        (50.1, 50.0, GOOD, "50.10"),
        (60.0, 50.0, NO, "set 60"),
        (50.0, 60.0, NO, "set 50"),
        (52.0, 50.0, LOOK, "generator"),
        (41.0, 50.0, NO, "off by 9.0"),
        (0.0, 50.0, NO, "nothing like a sine"),
    ],
)
def test_frequency(hz: float, nominal_hz: float, grade: Grade, words: str) -> None:
    finding = checks.check_frequency(replace(CHANNEL, frequency_hz=hz), nominal_hz)
    assert (finding.grade, words in finding.text) == (grade, True), finding


@pytest.mark.parametrize(("noise_v", "grade"), [(0.2, GOOD), (2.0, LOOK), (10.0, NO)])
def test_noise(noise_v: float, grade: Grade) -> None:
    assert checks.check_noise(replace(CHANNEL, noise_v=noise_v), 230.0).grade is grade


@pytest.mark.parametrize(("dc_v", "grade"), [(-2.0, GOOD), (-5.0, LOOK), (100.0, NO)])
def test_constant_part(dc_v: float, grade: Grade) -> None:
    assert checks.check_dc(replace(CHANNEL, dc_v=dc_v), 230.0).grade is grade


@pytest.mark.parametrize(
    ("second", "is_three_phase", "grade", "words"),
    [
        (turned(-120), True, GOOD, "-120"),
        (turned(0), True, NO, "same voltage twice"),
        (turned(0), False, LOOK, "same voltage twice"),
        (turned(0, 210.0), False, GOOD, "+0"),  # the same line at another place
        (turned(179.9), True, NO, "reversed"),
        (turned(180), False, GOOD, "180"),  # split phase
        (turned(60), True, LOOK, "one reversed"),
        (turned(0, 0.0), True, LOOK, "no voltage"),
    ],
)
def test_pairs(second: ChannelFacts, is_three_phase: bool, grade: Grade, words: str) -> None:
    finding = checks.check_pair(CHANNEL, second, is_three_phase=is_three_phase)
    assert (finding.grade, words in finding.text) == (grade, True), finding


def test_rotation() -> None:
    assert checks.check_rotation(CHANNEL, turned(-120)).grade is GOOD
    swapped = checks.check_rotation(CHANNEL, turned(120))
    assert (swapped.grade, "swapped" in swapped.text) == (LOOK, True)


@pytest.mark.parametrize(
    ("age_days", "is_hardware", "grade"),
    [(10.0, True, GOOD), (400.0, True, LOOK), (-2.0, True, LOOK), (None, True, LOOK),
     (None, False, GOOD)],
)  # fmt: skip
def test_calibration(age_days: float | None, is_hardware: bool, grade: Grade) -> None:
    assert checks.check_calibration(age_days, "x", is_hardware=is_hardware).grade is grade


@pytest.mark.parametrize(
    ("source", "is_synchronised", "grade", "words"),
    [
        ("chrony", True, GOOD, "by chrony"),
        (None, True, GOOD, "synchronised"),
        ("chrony", False, LOOK, "corrected"),
        (None, False, LOOK, "none is running"),
    ],
)
def test_clock(source: str | None, is_synchronised: bool, grade: Grade, words: str) -> None:
    finding = checks.check_clock(source, is_synchronised=is_synchronised)
    assert (finding.grade, words in finding.text) == (grade, True)


@pytest.mark.parametrize(
    ("changes", "grade"),
    [({}, GOOD), ({"free_mb": 600.0}, LOOK), ({"free_mb": 40.0}, NO),
     ({"is_writable": False}, NO), ({"is_read_only": True}, NO)],
)  # fmt: skip
def test_disk(changes: dict[str, float], grade: Grade) -> None:
    assert checks.check_disk(replace(DISK, **changes)).grade is grade  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("sync_s", "grade"),
    [((0.01, 0.09), GOOD), ((0.01, 0.4), LOOK), ((0.01, 3.0), NO), ((), NO)],
)
def test_write_speed(sync_s: tuple[float, ...], grade: Grade) -> None:
    assert checks.check_write_speed(replace(DISK, sync_s=sync_s)).grade is grade


@pytest.mark.parametrize(
    ("errors", "life_pct", "grade"),
    [(0, None, GOOD), (None, None, GOOD), (2, None, LOOK), (0, 90.0, LOOK), (0, 20.0, GOOD)],
)
def test_card(errors: int | None, life_pct: float | None, grade: Grade) -> None:
    disk = replace(DISK, filesystem_errors=errors, life_used_pct=life_pct)
    assert checks.check_card(disk).grade is grade


@pytest.mark.parametrize(
    ("bits", "alarm", "grade", "words"),
    [
        (0x0, None, GOOD, "never"),
        (None, None, GOOD, "tells nothing"),
        (None, False, GOOD, "never"),
        (0x50005, None, NO, "right now"),
        (None, True, NO, "right now"),
        (0x4, None, LOOK, "too hot"),
        (0x50000, None, LOOK, "was too low"),
        (0x40000, None, LOOK, "was slowed"),
    ],
)
def test_power(bits: int | None, alarm: bool | None, grade: Grade, words: str) -> None:
    finding = checks.check_power(PowerFacts(bits, alarm))
    assert (finding.grade, words in finding.text) == (grade, True), finding


@pytest.mark.parametrize(
    ("text", "bits"),
    [("throttled=0x50005\n", 0x50005), ("throttled=0x0", 0), ("", None), ("throttled=?", None)],
)
def test_what_the_firmware_says(text: str, bits: int | None) -> None:
    assert facts.parse_throttled(text) == bits


@pytest.mark.parametrize(
    ("temperature_c", "grade"), [(50.0, GOOD), (75.0, LOOK), (90.0, NO), (None, GOOD)]
)
def test_temperature(temperature_c: float | None, grade: Grade) -> None:
    assert checks.check_temperature(temperature_c).grade is grade


def test_time_zone() -> None:
    assert checks.check_timezone(3600, 3600, "Europe/Vienna").grade is GOOD
    other = checks.check_timezone(3600, 0, "Europe/Vienna")
    assert (other.grade, "-1 h" in other.text) == (LOOK, True)


@pytest.mark.parametrize(
    ("said", "checked_on", "is_hardware", "grade"),
    [
        (("x", "CAT III"), date(2026, 3, 1), True, GOOD),
        (("x", "CAT III"), date(2024, 3, 1), True, LOOK),
        (("x", "CAT III"), date(2027, 3, 1), True, LOOK),
        (("None.", "CAT III"), date(2026, 3, 1), True, NO),
        (("x", "unknown"), date(2026, 3, 1), True, NO),
        (None, None, True, NO),
        (None, None, False, GOOD),
    ],
)
def test_isolation(
    said: tuple[str, str] | None, checked_on: date | None, is_hardware: bool, grade: Grade
) -> None:
    today = date(2026, 11, 25)
    found = checks.check_isolation(said, checked_on, today, is_hardware=is_hardware)
    assert found.grade is grade


INFO = SourceInfo(8000.0, ("a",), 16, 4.0, 4000.0, True, True)


def taken(volts: NDArray[np.float64], ppm: float = 0.0) -> Taken:
    index: NDArray[np.float64] = np.arange(800.0, 80_001.0, 800.0)
    arrival_s: NDArray[np.float64] = index / 8000.0 / (1 + ppm / 1e6)
    arrival_s += np.random.default_rng(1).exponential(1e-3, 100)
    return Taken(volts[:, np.newaxis], index, arrival_s, 0)


def test_the_rate_is_measured_from_arrivals() -> None:
    found = facts.rate_facts(taken(np.zeros(8000), 300.0), INFO)
    assert found.measured_hz is not None
    # closed form: sigma sqrt(12) / (T sqrt(n)) = 1 ms * 3.46 / (10 s * 10) = 35 ppm; four of them
    assert found.measured_hz == pytest.approx(8000 * (1 + 300e-6), abs=8000 * 140e-6)
    assert 35 < found.uncertainty_ppm < 140
    assert found.longest_pause_s == pytest.approx(0.1, abs=0.01)


def test_a_channels_facts_are_in_mains_volts() -> None:
    t_s = np.arange(16000) / 8000
    noise = np.random.default_rng(2).normal(0, 0.001, 16000)
    volts = 1.15 * np.sqrt(2) * np.sin(2 * np.pi * 50.02 * t_s + 0.5) + 0.03 + noise
    channel = Channel(name="L1", input=0, gain_v_per_v=200.0, offset_v=0.02)
    found = facts.channel_facts(taken(volts), INFO, channel, 50.0)
    assert found.rms_v == pytest.approx(230.0, rel=1e-3)
    assert found.frequency_hz == pytest.approx(50.02, abs=1e-3)
    assert found.dc_v == pytest.approx(200 * 0.01, abs=0.01)
    assert found.noise_v == pytest.approx(0.2, rel=0.03)
    assert abs(found.phasor_v) == pytest.approx(230.0, rel=1e-3)
    assert found.input_peak_v == pytest.approx(1.15 * math.sqrt(2) + 0.03, abs=0.006)


@pytest.mark.parametrize("volts", [np.zeros(8000), np.random.default_rng(3).normal(0, 1, 8000)])
def test_without_a_sine_there_is_no_frequency(volts: NDArray[np.float64]) -> None:
    channel = Channel(name="L1", input=0)
    assert facts.channel_facts(taken(volts), INFO, channel, 50.0).frequency_hz == 0.0


def test_small_writes_are_timed_and_leave_nothing(tmp_path: Path) -> None:
    times_s = facts.sync_times_s(tmp_path, ManualClock())
    assert times_s == (0.0,) * facts.N_WRITES  # that clock stands still
    assert list(tmp_path.iterdir()) == []
    assert facts.sync_times_s(tmp_path / "nowhere", ManualClock()) == ()


def test_the_folder_of_a_database_to_come(tmp_path: Path) -> None:
    found = facts.disk_facts(tmp_path / "a" / "b" / "events.db", 500.0, ManualClock())
    assert found.is_writable
    assert found.free_mb > 0
    assert not (tmp_path / "a").exists()


def test_the_time_source_is_found_by_its_process(tmp_path: Path) -> None:
    for number, name in (("17", "bash"), ("18", "systemd-timesyn")):
        (tmp_path / number).mkdir()
        (tmp_path / number / "comm").write_text(f"{name}\n")
    assert facts.time_source(tmp_path) == "systemd-timesyncd"
    assert facts.time_source(tmp_path / "17") is None


class SilentSource(Source):
    """Opens and never gives a sample."""

    Options = SourceOptions

    def __init__(self, options: SourceOptions, clock: ManualClock) -> None:
        self.clock = clock

    def open(self) -> SourceInfo:
        return INFO

    def read(self, timeout_s: float) -> Block | None:
        self.clock.sleep_s(timeout_s)
        return None

    def close(self) -> None:
        pass


def test_a_silent_input_is_not_waited_for_without_end() -> None:
    clock = ManualClock()
    with pytest.raises(SourceFailed, match="no samples for 5 s"):
        take(SilentSource(SourceOptions(name="silent"), clock), INFO, 10.0, clock)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    register(monkeypatch)
    channel = {"name": "L1", "input": 0, "gain_v_per_v": GAIN, "offset_v": 0.012}
    return write_bench(tmp_path, channels=[channel])


def preflight(config: Path) -> Result:
    return CliRunner().invoke(main, ["preflight", "-c", str(config), "--seconds", "2"])


def subjects(result: Result, grade: str) -> set[str]:
    lines = result.stdout.splitlines()
    return {line[15:].partition(":")[0] for line in lines if line[:13].rstrip() == grade}


def test_a_good_bench(bench: Path) -> None:
    result = preflight(bench)
    assert {"Driver", "Sampling", "L1 voltage", "L1 frequency", "L1 room", "L1 noise",
            "L1 constant part", "Disk"} <= subjects(result, "good")  # fmt: skip
    assert "L1 calibration" in subjects(result, "look at this")
    assert result.exit_code == (3 if subjects(result, "will not work") else 1)


@pytest.mark.parametrize(
    ("supply", "subject"),
    [
        ({"nominal_v": 115, "frequency_hz": 50}, "L1 voltage"),
        ({"nominal_v": 230, "frequency_hz": 60}, "L1 frequency"),
    ],
)
def test_a_wrong_configuration(bench: Path, supply: dict[str, int], subject: str) -> None:
    channel = {"name": "L1", "input": 0, "gain_v_per_v": GAIN, "offset_v": 0.012}
    write_bench(bench.parent, channels=[channel], supply=supply)
    result = preflight(bench)
    assert result.exit_code == 3
    assert subject in subjects(result, "will not work")
    assert "Not ready" in result.stdout


def test_two_sensors_on_one_line_of_three(bench: Path) -> None:
    """The simulated three phases, with the third sensor reversed and the order turned round."""
    channels = [
        {"name": name, "input": number, "gain_v_per_v": gain, "offset_v": 0.012}
        for name, number, gain in (("L1", 0, GAIN), ("L2", 2, GAIN), ("L3", 1, -GAIN))
    ]
    supply = {"nominal_v": 230, "frequency_hz": 50, "wiring": "three_phase"}
    write_bench(bench.parent, channels=channels, supply=supply, scenario={"wiring": "three_phase"})
    result = preflight(bench)
    assert {"Phase order", "L1 and L3", "L2 and L3"} <= subjects(result, "look at this")
    assert "L1 and L2" in subjects(result, "good")


def test_neutral_to_earth_is_no_line(bench: Path) -> None:
    channels = [
        {"name": "L1", "input": 0, "gain_v_per_v": GAIN, "offset_v": 0.012},
        {"name": "N", "input": 1, "kind": "neutral_to_earth"},
    ]
    write_bench(bench.parent, channels=channels, scenario={"wiring": "split_phase"})
    result = preflight(bench)
    named = subjects(result, "good") | subjects(result, "will not work")
    assert "L1 voltage" in named
    assert "N voltage" not in named
    assert "N calibration" in subjects(result, "look at this")


def test_isolation_that_is_none_is_said_plainly(bench: Path) -> None:
    bench.write_text(bench.read_text().replace("barrier: Transformer", "barrier: none"))
    result = preflight(bench)
    assert result.exit_code == 3
    assert "Isolation" in subjects(result, "will not work")
    assert "live" in result.stdout
    assert "to earth" in result.stdout


def test_a_device_that_is_not_there(tmp_path: Path) -> None:
    path = write_bench(tmp_path)
    raw = path.read_text().replace("name: sensor", "name: recording")
    raw = raw.replace("scenario: scenario.yaml", "path: gone.wav\n  full_scale_v: 800")
    path.write_text(raw.replace("  sample_rate_hz: 8000.0\n", ""))
    result = preflight(path)
    assert result.exit_code in (2, 3)
    assert "gone.wav" in result.output


def test_the_help_states_the_exit_statuses() -> None:
    text = CliRunner().invoke(main, ["preflight", "--help"]).output
    assert all(word in text for word in ("0 all good", "1 something", "2 the conf", "3 something"))
