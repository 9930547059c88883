"""What a person types into the calibration: refused with a sentence, asked again, doubted."""

from pathlib import Path

import pytest

from daemon.calibration_fit import level_doubts
from tests.sensor_source import dialogue, register, write_bench
from tests.test_calibration import SAID, TRUE_V, calibrate, level

YES = ("y", "good", "0.5 % + 0.2 V", " ", "Meter no. 12", "None: simulated", "M. Muster")


def test_no_at_the_first_question_is_said(tmp_path: Path) -> None:
    code, output = dialogue(tmp_path, "N")
    assert code == 2
    assert "nothing was measured" in output
    assert "Aborted" not in output


@pytest.mark.parametrize(
    ("option", "value", "told"),
    [
        ("--reference-accuracy", "good", "'good' cannot be read"),
        ("--reference-accuracy", "30 %", "is beyond 20 % or 100 V"),
        ("--reference-id", " ", "' ' is not allowed"),
        ("--sensor", "a\nb", "is not allowed"),
        ("--by", "", "'' is not allowed"),
    ],
)
def test_a_wrong_option_is_refused_before_the_first_question(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, option: str, value: str, told: str
) -> None:
    """Where a person would be asked; only the terminal itself is not there."""
    register(monkeypatch)
    monkeypatch.setattr("tools.calibrate.sys.stdin.isatty", lambda: True, raising=False)
    result = calibrate(write_bench(tmp_path), option, value)
    assert result.exit_code == 2
    assert option in result.stderr
    assert told in result.stderr
    assert "Is the sensor connected" not in result.output


def test_wrong_answers_are_asked_again_and_contradicting_levels_doubted(tmp_path: Path) -> None:
    readings = ("-5", "0", "nan", "231", "y", "115", "n", "n")
    code, output = dialogue(tmp_path, *YES, *readings)
    assert code == 2, output
    assert "'good' cannot be read" in output
    assert output.count("is no voltage above 0 V") == 3
    assert "--reference-accuracy" not in output
    # 231 and 115 at one input: ratios r and 2.01 r, worst residue from sum(r)/sum(r^2) is 40 %
    assert "the levels 231 V (" in output
    assert "115 V (" in output
    assert "Traceback" not in output
    assert not (tmp_path / "calibration.yaml").exists()


@pytest.mark.parametrize("reading", ["nan", "inf", "0", "-5"])
def test_an_impossible_reading_is_refused_before_measuring(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, reading: str
) -> None:
    register(monkeypatch)
    result = calibrate(write_bench(tmp_path), "--reference-v", reading, *SAID)
    assert result.exit_code == 2
    assert "is no voltage above 0 V" in result.stderr
    assert "at the input" not in result.stderr


def test_a_further_level_that_contradicts_needs_even_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    register(monkeypatch)
    config = write_bench(tmp_path)
    assert calibrate(config, "--reference-v", TRUE_V, "--seconds", 2, *SAID).exit_code == 0
    more = ("--reference-v", TRUE_V * 1.1, "--seconds", 2, *SAID, "--add-level")
    refused = calibrate(config, *more)
    assert refused.exit_code == 2
    assert "do not fit one gain" in refused.stderr
    assert calibrate(config, *more, "--even-so").exit_code == 0


@pytest.mark.parametrize(
    ("linearity_pct", "uncertainty_pct", "words"),
    [(None, 4.9, None), (0.9, 4.9, None), (1.1, 1.5, "do not fit"), (None, 5.1, "uncertain by")],
)
def test_the_limits_of_what_is_doubted(
    linearity_pct: float | None, uncertainty_pct: float, words: str | None
) -> None:
    doubts = level_doubts((level(230.0, 1.15),), linearity_pct, uncertainty_pct)
    assert len(doubts) == (words is not None)
    assert not words or (words in doubts[0] and "230 V (1.15 V in)" in doubts[0])
