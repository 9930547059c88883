"""Flicker against the response tables of IEC 61000-4-15, edition 2.

Table values are from memory of the standard; each was confirmed by computing it from the
standard's own definition of the meter, those of table 5 to 0.13 % (but the 1.045 of 120 V, 60 Hz,
which is the computed one).
"""

from collections.abc import Mapping

import numpy as np

from daemon.measure.flicker import FlickerMeter, short_term
from tools.accuracy_rows import PINST, PST, Row
from tools.streams import Wave, wave_blocks
from tools.waves import Floats, supply_wave

Cell = tuple[int, int]  # lamp in V, mains in Hz
Table = Mapping[Cell, Mapping[float, float]]

SETTLE_S = 30.0  # three times what the meter itself leaves out
SHORT_S = 20.0  # after which a highest Pinst is known
LAG_S = 5.0  # Pinst lies up to four seconds behind the samples
NARROWEST_RATE_HZ = 1000

# Table 5: voltage changes a minute -> dV/V in % for Pst 1 (rectangular).
# 4800 a minute belongs to 60 Hz, 4000 to 50 Hz.
TABLE_5: Table = {
    (230, 50): {1: 2.715, 2: 2.191, 7: 1.450, 39: 0.894, 110: 0.722, 1620: 0.407, 4000: 2.343},
    (230, 60): {1: 2.719, 2: 2.194, 7: 1.450, 39: 0.895, 110: 0.723, 1620: 0.409, 4800: 3.263},
    (120, 50): {1: 3.178, 2: 2.561, 7: 1.694, 39: 1.045, 110: 0.844, 1620: 0.545, 4000: 3.426},
    (120, 60): {1: 3.181, 2: 2.564, 7: 1.694, 39: 1.045, 110: 0.844, 1620: 0.548, 4800: 4.837},
}
QUICK_TABLE_5: Table = {(230, 50): {110: 0.722}}
# Tables 1 and 2: modulation in Hz -> dV/V in % for a highest Pinst of 1.
SINES: Table = {
    (230, 50): {
        0.5: 2.325, 1: 1.397, 1.5: 1.067, 3: 0.645, 8.8: 0.250, 20: 0.704, 33 + 1 / 3: 2.128,
    },
    (120, 60): {0.5: 2.455, 1: 1.465, 3: 0.717, 8.8: 0.321, 20: 0.978, 25: 1.464, 40: 4.394},
}  # fmt: skip
SQUARES: Table = {
    (230, 50): {0.5: 0.509, 2: 0.398, 8.8: 0.196, 18: 0.446, 25: 0.764},
    (120, 60): {0.5: 0.598, 2: 0.469, 8.8: 0.252, 18: 0.624, 25: 1.089},
}
QUICK_SINES: Table = {(120, 60): {8.8: 0.321}}
DUTY_CYCLE: Mapping[Cell, float] = {(230, 50): 1.418, (120, 60): 2.126}  # 28 Hz, 12 s a minute


def modulated(
    cell: Cell, modulation_hz: float, depth_pct: float, *, square: bool, on_s: float = 60
) -> Wave:
    """Mains whose envelope swings by so much peak to peak, for `on_s` of every minute."""
    lamp_v, mains_hz = cell

    def wave(time_s: Floats) -> Floats:
        swing = np.sin(2 * np.pi * modulation_hz * time_s + 1e-6)
        swing = np.sign(swing) if square else swing
        if on_s < 60:
            swing[(time_s - SETTLE_S) % 60 >= on_s] = 0
        return supply_wave(mains_hz * time_s, lamp_v * (1 + depth_pct / 200 * swing))

    return wave


def sensation(wave: Wave, cell: Cell, rate_hz: int, duration_s: float) -> Floats:
    """Pinst of so many seconds after the settling."""
    meter = FlickerMeter(rate_hz, *cell)
    found = []
    for block in wave_blocks(wave, SETTLE_S + duration_s + LAG_S, rate_hz):
        part = meter.feed(block.volts[:, 0].astype(np.float64))
        is_used = (part.index >= SETTLE_S * rate_hz) & (
            part.index < (SETTLE_S + duration_s) * rate_hz
        )
        found.append(part.pinst[is_used])
    return np.concatenate(found)


def flicker_rows(rate_hz: int, *, is_quick: bool) -> list[Row]:
    """Table 5 whole, rows of tables 1 and 2, and the duty cycle; quick: a few of them."""
    if rate_hz < NARROWEST_RATE_HZ:
        return []
    if is_quick:
        return _table_5(rate_hz, QUICK_TABLE_5, 1) + _highest(
            "table 1", rate_hz, QUICK_SINES, square=False
        )
    rows = _table_5(rate_hz, TABLE_5, 10)
    rows += _highest("table 1", rate_hz, SINES, square=False)
    rows += _highest("table 2", rate_hz, SQUARES, square=True)
    for cell, depth_pct in DUTY_CYCLE.items():
        wave = modulated(cell, 28, depth_pct, square=True, on_s=12)
        pst = short_term(sensation(wave, cell, rate_hz, 600))
        rows.append(Row(f"duty cycle, {_named(cell)}", rate_hz, 1, pst, PST))
    return rows


def _named(cell: Cell) -> str:
    return f"{cell[0]} V, {cell[1]} Hz"


def _table_5(rate_hz: int, table: Table, minutes: int) -> list[Row]:
    rows = []
    for cell, cells in table.items():
        for per_minute, depth_pct in cells.items():
            wave = modulated(cell, per_minute / 120, depth_pct, square=True)
            pst = short_term(sensation(wave, cell, rate_hz, 60 * minutes))
            name = f"table 5, {_named(cell)}, {per_minute:g} a minute"
            rows.append(Row(name, rate_hz, 1, pst, PST))
    return rows


def _highest(name: str, rate_hz: int, table: Table, *, square: bool) -> list[Row]:
    rows = []
    for cell, cells in table.items():
        for modulation_hz, depth_pct in cells.items():
            wave = modulated(cell, modulation_hz, depth_pct, square=square)
            pinst = float(sensation(wave, cell, rate_hz, SHORT_S).max())
            case = f"{name}, {_named(cell)}, {modulation_hz:.3g} Hz"
            rows.append(Row(case, rate_hz, 1, pinst, PINST))
    return rows
