"""`python -m tools.accuracy`: known voltages through the measurement, against published limits.

Every case is synthesised without noise, so the table shows the method alone. Sensor, converter
and clock add what `daemon.uncertainty` says of them.
"""

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import Protocol

import click

from tools.accuracy_events import dip_rows, flag_rows, rapid_change_rows
from tools.accuracy_flicker import flicker_rows
from tools.accuracy_harmonics import harmonic_rows
from tools.accuracy_phases import phase_rows
from tools.accuracy_rows import Row
from tools.accuracy_supply import frequency_rows, magnitude_rows

RATES_HZ = (8000, 16000, 32000, 96000)
WORDING = "Methods follow IEC 61000-4-30; not certified."
LEFT_OUT = """Not in the table: H5 (a tone that folds back: the converter's own filter decides),
T1 (needs a time reference), I1 (needs a laboratory), D11 (the sliding reference of medium-voltage
networks is not measured), groups and interharmonic groups (only subgroups are measured)."""


class Family(Protocol):
    def __call__(self, rate_hz: int, *, is_quick: bool) -> list[Row]:
        """All rows of one kind at one sampling rate."""
        ...


FAMILIES: dict[str, Family] = {
    "frequency (F)": frequency_rows,
    "magnitude, known waves (M)": magnitude_rows,
    "dips, swells, interruptions (D)": dip_rows,
    "rapid voltage changes (R)": rapid_change_rows,
    "harmonics, grouping, known waves (H)": harmonic_rows,
    "unbalance, polyphase rules (U)": phase_rows,
    "flags (G)": flag_rows,
    "flicker (IEC 61000-4-15)": flicker_rows,
}
Battery = dict[str, dict[int, list[Row]]]  # family, then rate in Hz


def run_battery(rates_hz: Sequence[int], *, is_quick: bool) -> Battery:
    """All rows of every family at every rate."""
    return {
        name: {rate_hz: family(rate_hz, is_quick=is_quick) for rate_hz in rates_hz}
        for name, family in FAMILIES.items()
    }


def table(battery: Battery) -> str:
    """Every row, and below it where the limits come from."""
    rows = [row for by_rate in battery.values() for part in by_rate.values() for row in part]
    sources = {text: n + 1 for n, text in enumerate(dict.fromkeys(row.limit.text for row in rows))}
    lines = []
    for name, by_rate in battery.items():
        lines += ["", name, _HEADING]
        lines += [_line(row, sources) for part in by_rate.values() for row in part]
    lines += ["", "Limits:", *(f"[{number}] {text}" for text, number in sources.items())]
    return "\n".join([*lines, "", LEFT_OUT, WORDING])


_HEADING = (
    f"{'kS/s':>5}  {'case':<54} {'expected':>10} {'measured':>11} {'limit':>7} {'':6} {'used':>7}"
)


def _line(row: Row, sources: dict[str, int]) -> str:
    limit = f"±{row.limit.width:.3g}" if row.limit.width else "exact"
    used = "BEYOND" if not row.is_within else f"{100 * row.share:.2f} %"
    return (
        f"{row.rate_hz / 1000:>5g}  {row.case:<54} {row.expected:>10.7g} {row.measured:>11.7g}"
        f" {limit:>7} {row.limit.unit:6} {used:>7} [{sources[row.limit.text]}]"
    )


def shares(battery: Battery) -> dict[str, dict[int, float | None]]:
    """The largest share of its limit that any row used; None: not possible at that rate."""
    found: dict[str, dict[int, float | None]] = defaultdict(dict)
    for name, by_rate in battery.items():
        for rate_hz, rows in by_rate.items():
            found[name][rate_hz] = max((row.share for row in rows), default=None)
    return dict(found)


def summary(battery: Battery) -> str:
    """The largest share of its limit in each family and at each rate, as a Markdown table."""
    worst = shares(battery)
    rates_hz = list(next(iter(worst.values())))
    head = " | ".join(f"{rate_hz / 1000:g} kS/s" for rate_hz in rates_hz)
    lines = [f"| share of the limit used | {head} |", "|---|" + "---:|" * len(rates_hz)]
    lines += [
        f"| {name} | {' | '.join(_percent(share) for share in by_rate.values())} |"
        for name, by_rate in worst.items()
    ]
    return "\n".join(lines)


def _percent(share: float | None) -> str:
    if share is None:
        return "-"
    return f"{math.ceil(100 * share - 1e-6)} %" if math.isfinite(share) else "beyond"


@click.command()
@click.option(
    "--rate", "rates", type=click.IntRange(2000, 1_000_000), multiple=True, default=RATES_HZ,
    help="Samples a second; may be given several times.",
)  # fmt: skip
@click.option("--quick", is_flag=True, help="Fewer and shorter cases: seconds, not minutes.")
@click.option("--markdown", is_flag=True, help="Only the largest share of each family.")
def main(rates: tuple[int, ...], quick: bool, markdown: bool) -> None:
    """Compare what is measured of known voltages with published limits.

    Exit status 1: a case is beyond its limit.
    """
    battery = run_battery(rates, is_quick=quick)
    click.echo(summary(battery) if markdown else table(battery))
    rows = [row for by_rate in battery.values() for part in by_rate.values() for row in part]
    n_beyond = sum(not row.is_within for row in rows)
    if n_beyond:
        click.echo(f"{n_beyond} of {len(rows)} cases are beyond their limit.", err=True)
        raise SystemExit(1)


if __name__ == "__main__":
    main()
