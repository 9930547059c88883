"""Calibration: numbers against closed forms and scipy, files that keep what they replace."""

import json
import math
import stat
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import yaml
from click.testing import CliRunner, Result
from numpy.typing import NDArray
from scipy.optimize import curve_fit

from daemon.calibration import (
    Calibration,
    ChannelCalibration,
    Level,
    Reference,
    load_calibration,
    write_calibration,
)
from daemon.calibration_fit import fit_levels, fit_sine, measure_level, scale_doubts
from daemon.errors import InputError, StoreError
from daemon.settings import load_settings, settings_snapshot
from tests.sensor_source import (
    FULL_SCALE_V,
    GAIN,
    OFFSET_V,
    RATE_HZ,
    dialogue,
    register,
    write_bench,
)
from tools.cli import main

Floats = NDArray[np.float64]
NOW_S = 1_780_000_000.0
TRUE_V = 230.0 * math.sqrt(1 + 0.03**2)  # the simulated supply: 3 % third harmonic


def sine(rms_v: float, hz: float, seconds: float = 1.0, noise_v: float = 0.0) -> Floats:
    t_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    volts: Floats = math.sqrt(2) * rms_v * np.sin(2 * np.pi * hz * t_s + 0.3)
    return volts + np.random.default_rng(1).normal(0.0, 1.0, len(t_s)) * noise_v


def level(reference_v: float, input_v: float, **changes: float) -> Level:
    values = {
        "reference_v": reference_v, "input_rms_v": input_v, "input_offset_v": 0.01,
        "input_noise_v": 1e-4, "frequency_hz": 50.0, "distortion_pct": 2.0,
        "repeatability_pct": 0.01, "duration_s": 10.0,
    }  # fmt: skip
    return Level.model_validate({**values, **changes})


def entry(name: str = "L1", gain: float = 200.0, levels: tuple[Level, ...] = ()) -> (
    ChannelCalibration
):  # fmt: skip
    return ChannelCalibration(
        name=name,
        input=0 if name == "L1" else 1,
        made_utc=datetime.fromtimestamp(NOW_S, UTC),
        made_by="M. Muster",
        driver="sensor",
        sample_rate_hz=RATE_HZ,
        sensor="Transformer 1, no. 4711",
        reference=Reference(identity="Meter, no. 12", accuracy_pct=0.5, accuracy_v=0.2),
        gain_v_per_v=gain,
        offset_v=0.01,
        linearity_pct=None,
        noise_v=0.02,
        residual_distortion_pct=2.0,
        effective_bits=12.0,
        levels=levels or (level(230.0, 1.15),),
    )


@pytest.mark.parametrize("hz", [47.3, 49.99, 50.0, 50.4, 52.1])
def test_a_sine_with_harmonics_is_taken_apart(hz: float) -> None:
    volts = sine(1.15, hz) + 0.012 + sine(0.0345, 3 * hz) + sine(0.0115, 7 * hz)
    fit = fit_sine(volts, RATE_HZ, 50.0)
    # closed forms; what is left of the frequency's error after refining is below a microhertz
    assert fit.frequency_hz == pytest.approx(hz, abs=1e-4)
    assert fit.offset_v == pytest.approx(0.012, abs=1e-6)
    assert fit.harmonics_rms_v[0] == pytest.approx(1.15, rel=1e-6)
    assert fit.harmonics_rms_v[2] == pytest.approx(0.0345, rel=1e-4)
    assert fit.distortion_pct == pytest.approx(100 * math.hypot(0.03, 0.01), abs=0.001)
    assert fit.rest_rms_v < 1e-4


def test_the_fit_agrees_with_scipys() -> None:
    volts = sine(1.15, 50.13, noise_v=0.01) + 0.02

    def model(t_s: Floats, peak_v: float, hz: float, phase: float, offset_v: float) -> Floats:
        return np.asarray(peak_v * np.sin(2 * np.pi * hz * t_s + phase) + offset_v)

    t_s = np.arange(len(volts)) / RATE_HZ
    (peak_v, hz, _, offset_v), _ = curve_fit(model, t_s, volts, (1.5, 50.1, 0.0, 0.0))
    fit = fit_sine(volts, RATE_HZ, 50.0)
    # noise of 0.01 V over 8000 samples: sigma of the rms is 0.01 / sqrt(8000) = 1.1e-4 V; the two
    # estimators share the noise, so they lie closer together than that
    assert fit.harmonics_rms_v[0] == pytest.approx(abs(peak_v) / math.sqrt(2), abs=3e-5)
    assert fit.offset_v == pytest.approx(offset_v, abs=3e-5)
    # sigma of the frequency: sqrt(6) / pi / T / sqrt(n) * noise / peak = 5e-5 Hz
    assert fit.frequency_hz == pytest.approx(hz, abs=2e-4)
    assert fit.rest_rms_v == pytest.approx(0.01, rel=0.03)


def test_effective_bits_of_an_ideal_converter() -> None:
    """A full-scale sine rounded to 12 bits has 12 effective bits (IEEE Std 1057, from memory)."""
    step = 2 * FULL_SCALE_V / 4096
    volts = np.round(sine(2.8, 49.37, 4.0) / step) * step
    result = fit_levels((measure_level(volts, RATE_HZ, 50.0, 560.0),), FULL_SCALE_V)
    # harmonics take a hundredth of the rounding noise away; the rest scatters by a percent
    assert result.effective_bits == pytest.approx(12.0, abs=0.05)
    assert result.gain_v_per_v == pytest.approx(200.0, rel=1e-5)


def test_several_levels_give_one_line_and_its_linearity() -> None:
    levels = tuple(
        level(reference_v, reference_v / 200.0 * (1 + error))
        for reference_v, error in ((100.0, 0.001), (180.0, 0.0), (260.0, -0.001))
    )
    result = fit_levels(levels, FULL_SCALE_V)
    # closed form: gain sum(r)/sum(r^2) of input per reference r = (1.001, 1, 0.999) / 200
    ratios = np.array([1.001, 1.0, 0.999]) / 200.0
    assert result.gain_v_per_v == pytest.approx(ratios.sum() / (ratios**2).sum(), rel=1e-12)
    assert result.linearity_pct == pytest.approx(0.1, abs=1e-3)
    assert result.noise_v == pytest.approx(200 * 1e-4, rel=1e-3)
    assert fit_levels(levels[:1], FULL_SCALE_V).linearity_pct is None


@pytest.mark.parametrize(
    ("volts", "words"),
    [
        (np.zeros(16000), "no steady sine"),
        (np.random.default_rng(2).normal(0, 1, 16000), "no steady sine"),
        (sine(1.0, 60.0, 2.0), None),  # a fifth off is still found; preflight says what is wrong
        (sine(1.0, 50.0, 1.5), "two seconds"),
    ],
)
def test_what_is_no_level(volts: Floats, words: str | None) -> None:
    if words is None:
        assert measure_level(volts, RATE_HZ, 50.0, 230.0).frequency_hz == pytest.approx(60.0)
        return
    with pytest.raises(InputError, match=words):
        measure_level(volts, RATE_HZ, 50.0, 230.0)


@pytest.mark.parametrize(
    ("reference_v", "former_v", "words"),
    [
        (230.0, None, None),
        (253.0, None, None),  # plus 10 %
        (207.0, 205.0, None),
        (115.0, None, "half supply.nominal_v"),
        (460.0, None, "twice supply.nominal_v"),
        (325.0, None, "peak value taken for rms"),
        (650.0, None, "peak to peak"),
        (400.0, None, "phase to phase"),
        (0.230, None, "kilovolts"),
        (231.0, 115.4, "twice what the present gain"),
        (231.0, 326.0, "rms taken for a peak"),
        (231.0, 40.0, "5.78 times what the present gain"),
    ],
)
def test_a_wrong_scale_is_noticed(
    reference_v: float, former_v: float | None, words: str | None
) -> None:
    doubts = scale_doubts(reference_v, 230.0, former_v)
    assert len(doubts) == (words is not None)
    assert not words or words in doubts[0]


def test_110_for_220() -> None:
    assert "half" in scale_doubts(110.0, 220.0, None)[0]
    assert "twice" in scale_doubts(220.0, 110.0, None)[0]


def test_the_uncertainty_is_the_guides() -> None:
    """JCGM 100:2008, 4.3.7: half width a of a rectangular distribution gives a / sqrt(3)."""
    one = entry()
    limit_pct = 100 * (230 * 0.005 + 0.2) / 230
    assert one.reference_uncertainty_pct == pytest.approx(limit_pct / math.sqrt(3), rel=1e-9)
    assert one.gain_uncertainty_pct == pytest.approx(
        math.sqrt(limit_pct**2 / 3 + 0.01**2), rel=1e-9
    )
    assert one.age_days(NOW_S + 86400 * 400) == pytest.approx(400.0)


def test_a_file_comes_back_as_it_was_written(tmp_path: Path) -> None:
    path = tmp_path / "calibration.yaml"
    written = Calibration().with_channel(entry()).with_channel(entry("L2", -199.5))
    assert write_calibration(path, written, NOW_S) is None
    assert load_calibration(path) == written
    assert [one.name for one in load_calibration(path).channels] == ["L1", "L2"]
    assert len(written.digest) == 64


def test_the_file_before_is_kept(tmp_path: Path) -> None:
    path = tmp_path / "calibration.yaml"
    old, new = Calibration().with_channel(entry()), Calibration().with_channel(entry(gain=201.0))
    write_calibration(path, old, NOW_S)
    names = []
    for _ in range(2):  # twice in the same second
        kept = write_calibration(path, new, NOW_S)
        assert kept is not None
        names.append(kept.name)
    assert names == [
        "calibration-until-20260528T202640Z.yaml", "calibration-until-20260528T202640Z-1.yaml",
    ]  # fmt: skip
    assert load_calibration(tmp_path / names[0]) == old
    assert load_calibration(path) == new
    assert sorted(one.name for one in tmp_path.iterdir()) == sorted(["calibration.yaml", *names])


def test_a_folder_that_cannot_be_written_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"nowhere.*cannot be written"):
        write_calibration(tmp_path / "nowhere" / "c.yaml", Calibration(), NOW_S)
    assert list(tmp_path.iterdir()) == []


def test_a_change_by_hand_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "calibration.yaml"
    write_calibration(path, Calibration().with_channel(entry()), NOW_S)
    path.write_text(path.read_text().replace("gain_v_per_v: 200.0", "gain_v_per_v: 210.0"))
    with pytest.raises(InputError, match=r"digest: does not fit"):
        load_calibration(path)


def test_every_fault_of_the_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "calibration.yaml"
    write_calibration(path, Calibration().with_channel(entry()), NOW_S)
    raw = yaml.safe_load(path.read_text())
    raw["channels"][0]["reference"]["accuracy_pct"] = -1
    raw["channels"][0]["levels"] = []
    raw["channels"][0]["nick"] = 3
    path.write_text(yaml.safe_dump(raw))
    with pytest.raises(InputError) as caught:
        load_calibration(path)
    text = str(caught.value)
    assert all(key in text for key in ("accuracy_pct", "channels[0].levels", "nick"))
    assert len(text.splitlines()) == 3


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    register(monkeypatch)
    return write_bench(tmp_path)


def calibrate(config: Path, *words: object) -> Result:
    return CliRunner().invoke(main, ["calibrate", "-c", str(config), *map(str, words)])


SAID = ("--reference-accuracy", "0.5 % + 0.2 V", "--reference-id", "Meter no. 12",
        "--sensor", "Transformer no. 4711", "--by", "M. Muster")  # fmt: skip


def test_the_verb_finds_the_sensors_gain(bench: Path) -> None:
    result = calibrate(bench, "--reference-v", TRUE_V, "--seconds", 4, *SAID)
    assert result.exit_code == 0, result.output
    (one,) = load_calibration(bench.with_name("calibration.yaml")).channels
    # noise of 0.05 % over 32 000 samples and steps of 1/16 bit: a hundredth of a per cent
    assert one.gain_v_per_v == pytest.approx(GAIN, rel=1e-4)
    assert one.offset_v == pytest.approx(OFFSET_V, abs=1e-4)
    assert one.residual_distortion_pct == pytest.approx(3.0, abs=0.01)
    assert one.noise_v == pytest.approx(0.115, rel=0.05)  # 0.05 % of 230 V
    assert (one.sensor, one.made_by) == ("Transformer no. 4711", "M. Muster")
    assert result.stderr.startswith("Before anything is touched")
    assert "qualified electrician" in result.stderr
    assert "calibration: calibration.yaml" in result.stdout
    assert "k = 2" in result.stdout


def test_the_configuration_takes_it_over_and_the_run_keeps_its_identity(bench: Path) -> None:
    calibrate(bench, "--reference-v", TRUE_V, "--seconds", 2, *SAID)
    bench.write_text(bench.read_text() + "calibration: calibration.yaml\n")
    settings = load_settings(bench)
    assert settings.channels is not None
    assert settings.channels[0].gain_v_per_v == pytest.approx(GAIN, rel=1e-3)
    assert settings.channels[0].offset_v == pytest.approx(OFFSET_V, abs=1e-3)
    snapshot = json.loads(settings_snapshot(settings))
    content = snapshot["calibration"]["content"]
    assert content["digest"] == load_calibration(bench.with_name("calibration.yaml")).digest
    assert content["channels"][0]["reference"]["identity"] == "Meter no. 12"


def test_levels_add_up_and_the_channel_is_replaced(tmp_path: Path, bench: Path) -> None:
    for number, magnitude_pct in enumerate((100.0, 60.0, 110.0)):
        write_bench(tmp_path, magnitude_pct)
        more = ("--add-level",) if number else ()
        result = calibrate(
            bench, "--reference-v", TRUE_V * magnitude_pct / 100, "--seconds", 2, *SAID, *more
        )
        assert result.exit_code == 0, result.output
    (one,) = load_calibration(bench.with_name("calibration.yaml")).channels
    assert len(one.levels) == 3
    assert one.linearity_pct is not None
    assert one.linearity_pct < 0.02
    assert len(list(tmp_path.glob("calibration-until-*.yaml"))) == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        ((), "--reference-v must be given"),
        (("--reference-v", "230", *SAID, "--reference-accuracy", "good"), "--reference-accuracy"),
        (("--reference-v", "230", *SAID, "--reference-accuracy", ""), "--reference-accuracy"),
        (("--reference-v", "230", *SAID, "--channel", "L9"), "--channel is 'L9'; there is L1"),
        (("--reference-v", "230", *SAID, "--add-level"), "has no level of L1 yet"),
        (("--reference-v", "115", *SAID), "half supply.nominal_v"),
        (("--reference-v", "325", *SAID), "peak value taken for rms"),
        (("--reference-v", "230", *SAID, "--by", "a\nb"), "is not allowed"),
        (("--reference-v", "230", *SAID, "--by", " "), "is not allowed"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_is_written(
    bench: Path, words: tuple[str, ...], told: str
) -> None:
    result = calibrate(bench, "--seconds", 2, *words)
    assert result.exit_code == 2, result.output
    assert told in result.stderr
    assert not bench.with_name("calibration.yaml").exists()


def test_a_doubtful_scale_can_be_meant(bench: Path) -> None:
    result = calibrate(bench, "--reference-v", 325, "--seconds", 2, *SAID, "--even-so")
    assert result.exit_code == 0
    assert "Look at this" in result.stderr


def test_a_calibration_for_other_channels_is_refused(bench: Path) -> None:
    write_calibration(
        bench.with_name("c.yaml"), Calibration().with_channel(entry("L7", 3.0)), NOW_S
    )
    bench.write_text(bench.read_text() + "calibration: c.yaml\n")
    with pytest.raises(InputError, match=r"calibration: .*made for L7 on input 1"):
        load_settings(bench)


def test_a_calibration_that_is_not_there(bench: Path) -> None:
    bench.write_text(bench.read_text() + "calibration: gone.yaml\n")
    with pytest.raises(InputError, match=r"calibration: .*gone.yaml: cannot be read"):
        load_settings(bench)
    assert load_settings(bench, calibration_may_be_missing=True).calibration is not None


def test_a_terminal_is_asked_step_by_step(tmp_path: Path) -> None:
    """The guide on a real pseudo-terminal, on the simulated driver, whose gain is 1."""
    code, output = dialogue(
        tmp_path, "y", "0.5 % + 0.2 V", "Meter no. 12", "None: simulated", "M. Muster",
        f"{TRUE_V:.3f}", "n",
    )  # fmt: skip
    assert code == 0, output
    (one,) = load_calibration(tmp_path / "calibration.yaml").channels
    assert one.gain_v_per_v == pytest.approx(1.0, rel=1e-4)
    assert output.index("Mains can kill") < output.index("Is the sensor connected")
    assert stat.S_ISREG((tmp_path / "calibration.yaml").stat().st_mode)
