"""The accuracy table: right about right and wrong, and the README says what it says today."""

import re

import numpy as np
import pytest
from click.testing import CliRunner

from tests.whole_material import CHECKOUT
from tools import accuracy
from tools.accuracy import RATES_HZ, WORDING, run_battery, shares, summary, table
from tools.accuracy_ideal import half_cycle_values, readings
from tools.accuracy_rows import EXACT, FREQUENCY, Row, worst
from tools.wave_shapes import SHAPES, Shape
from tools.waves import envelope, instants, levels

README = CHECKOUT / "README.md"
BLOCK = re.compile(r"<!-- accuracy -->\n(.*?)<!-- /accuracy -->", re.DOTALL)


def readme_block() -> str:
    found = BLOCK.search(README.read_text(encoding="utf-8"))
    assert found is not None
    return found.group(1)


def readme_shares() -> dict[str, dict[int, int]]:
    """Per cent by family and rate, from the table in the README."""
    lines = [line for line in readme_block().splitlines() if line.startswith("|")]
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines]
    rates_hz = [round(1000 * float(cell.split()[0])) for cell in cells[0][1:]]
    return {
        row[0]: dict(zip(rates_hz, (int(cell.split()[0]) for cell in row[1:]), strict=True))
        for row in cells[2:]
    }


@pytest.mark.parametrize(
    "rate_hz", [*RATES_HZ[:-1], pytest.param(RATES_HZ[-1], marks=pytest.mark.soak)]
)
def test_the_readme_shows_what_is_measured_today(rate_hz: int) -> None:
    battery = run_battery([rate_hz], is_quick=True)
    rows = [row for by_rate in battery.values() for part in by_rate.values() for row in part]
    assert [row for row in rows if not row.is_within] == []
    shown = readme_shares()
    assert list(shown) == list(battery)
    for name, by_rate in shares(battery).items():
        share = by_rate[rate_hz]
        assert share is not None
        # The README rounds up to whole per cent; another machine's arithmetic may differ in the
        # last digits, which moves a share that lies on the edge by one.
        assert shown[name][rate_hz] == pytest.approx(100 * share, abs=1.01), name


def test_the_readme_says_how_and_what_it_is_not() -> None:
    assert "python -m tools.accuracy --quick" in readme_block()
    assert WORDING in " ".join(readme_block().split())
    assert README.read_text(encoding="utf-8").index("<!-- /accuracy -->") < README.read_text(
        encoding="utf-8"
    ).index("## More")


def row(measured: float, limit_of: Row | None = None) -> Row:
    return Row("case", 8000, 50.0, measured, FREQUENCY if limit_of is None else limit_of.limit)


def test_shares() -> None:
    # 4 mHz of the 10 mHz that class A allows.
    assert row(50.004).share == pytest.approx(0.4)
    assert row(49.99).share == pytest.approx(1.0)
    assert not row(50.0101).is_within
    assert not row(float("nan")).is_within  # no value at all
    assert worst("all", [row(50.004), row(49.993)]).measured == 49.993
    assert worst("all", [row(50.004), row(float("nan"))]).share == np.inf


def test_a_count_has_to_be_exact() -> None:
    assert Row("count", 8000, 3, 3, EXACT).share == 0
    assert not Row("count", 8000, 3, 2, EXACT).is_within


def broken(rate_hz: int, *, is_quick: bool) -> list[Row]:
    """A family that is off, and says so only where it is asked quickly."""
    return [Row("F0", rate_hz, 50, 50.02 if is_quick else 50.0, FREQUENCY)]


def test_a_case_beyond_its_limit_fails_the_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(accuracy, "FAMILIES", {"frequency (F)": broken})
    bad = CliRunner().invoke(accuracy.main, ["--rate", "8000", "--quick"])
    assert bad.exit_code == 1
    assert "BEYOND" in bad.output
    assert "1 of 1 cases are beyond" in bad.output
    good = CliRunner().invoke(accuracy.main, ["--rate", "8000", "--rate", "16000", "--markdown"])
    assert good.exit_code == 0
    assert "| frequency (F) | 0 % | 0 % |" in good.output


def test_every_row_names_its_limit_and_how_well_it_is_known() -> None:
    battery = {"frequency (F)": {8000: broken(8000, is_quick=True)}}
    text = table(battery)
    assert "[1] IEC 61000-4-30 class A, power frequency (from memory of the standard)" in text
    assert text.endswith(WORDING)
    assert "| frequency (F) | 200 % |" in summary(battery)


# The closed form against the table of one-cycle windows on an ideal grid (computed from the
# definition apart from this code): level, angle, cycles: residual in %, half cycles.
CELLS = [
    (0, 0, 0.5, (70.71, 2)),
    (0, 45, 1, (21.31, 3)),
    (0, 90, 1, (50.00, 4)),
    (0.4, 45, 1, (44.51, 3)),
    (0.4, 90, 10, (40, 22)),
    (0.7, 90, 0.5, (86.31, 1)),
    (0.7, 90, 1, (78.58, 2)),
    (0.85, 0, 0.5, None),
    (0.85, 90, 1, (88.99, 2)),
    (0.89, 90, 1, None),
    (0.89, 90, 1.5, (89, 2)),
    (1.15, 90, 1, (111.44, 2)),
    (1.2, 0, 0.5, (110.45, 2)),
    (2.0, 90, 1, (180.28, 4)),
]


@pytest.mark.parametrize(("level", "angle", "cycles", "cell"), CELLS)
def test_closed_form_of_a_rectangle(
    level: float, angle: float, cycles: float, cell: tuple[float, int] | None
) -> None:
    start = 10 + angle / 360
    values = half_cycle_values([(start, start + cycles, level)], 60)
    is_swell = level > 1
    limits = (1.1, 1.08) if is_swell else (0.9, 0.92)
    found = readings(values, *limits, is_swell=is_swell)
    assert len(found) == (0 if cell is None else 1)
    if cell is not None:
        # Two decimals are given.
        assert 100 * found[0].extreme == pytest.approx(cell[0], abs=0.006)
        assert found[0].halves == cell[1]


@pytest.mark.parametrize("shape", SHAPES, ids=lambda shape: shape.name)
def test_shapes_are_what_they_say(shape: Shape) -> None:
    """Their figures against a transform of 2^18 points of one cycle."""
    cycle = shape.volts((np.arange(2**18) + 0.5) / 2**18)
    lines = 100 * np.abs(np.fft.rfft(cycle)[:51]) / abs(np.fft.rfft(cycle)[1])
    # The last digits that are given.
    assert float(np.sqrt(np.mean(cycle**2))) == pytest.approx(shape.rms, abs=6e-6)
    assert float(np.sqrt(np.sum(lines[2:] ** 2))) == pytest.approx(shape.thd_pct, abs=0.006)
    assert lines[[3, 5]] == pytest.approx([shape.third_pct, shape.fifth_pct], abs=0.006)


def test_levels_share_the_sample_that_holds_an_edge() -> None:
    time_s = instants(1000, 0.1)
    found = levels(time_s, [(0.0204, 0.0507, 0.5)])
    # 40 % of sample 20 is before the start, 70 % of sample 50 before the end.
    assert found[20] == pytest.approx(np.sqrt(0.4 + 0.6 * 0.25))
    assert found[50] == pytest.approx(np.sqrt(0.3 + 0.7 * 0.25))
    assert found[21:50] == pytest.approx(np.full(29, 0.5))
    on_samples = [(0.02, 0.05, 0.5)]
    # Edges between samples belong to neither; some rounding of 0.05 x 1000.
    assert levels(time_s, on_samples) == pytest.approx(envelope(time_s, on_samples), abs=1e-9)
