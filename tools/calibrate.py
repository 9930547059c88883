"""`halfcycle calibrate`: a channel's gain by comparison with a reference meter."""

import math
import re
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import wraps
from pathlib import Path
from typing import Any

import click
from pydantic import TypeAdapter, ValidationError

from daemon.calibration import (
    Calibration,
    ChannelCalibration,
    Level,
    Reference,
    load_calibration,
    write_calibration,
)
from daemon.calibration_fit import Result, fit_levels, level_doubts, measure_level, scale_doubts
from daemon.errors import InputError
from daemon.settings import Channel, Settings, load_settings
from daemon.yaml_file import Line
from drivers.clock import Clock, SystemClock
from drivers.registry import find_driver
from drivers.source import SourceInfo
from tools.sampling import take

SETTLE_S = 1.0
MOST_V = 200_000
MOST_ACCURACY_PCT, MOST_ACCURACY_V = 20.0, 100.0  # what the file takes
CAUTIONS = """\
Before anything is touched
  Mains can kill. The converter board only ever sees the extra-low-voltage side of a sensor with
  rated, certified isolation. Connecting the sensor and the reference meter to the supply is work
  for a qualified electrician under local rules: this guide does not replace them, and nothing
  here says that a circuit is safe to touch. The meter and its leads need the measurement category
  of the place: they go on, and come off, while the circuit is dead and secured against return.
  A cable to a screen, a network or a laptop on its charger may join the extra-low-voltage side to
  earth: leave it off, or know that the sensor's barrier alone stands between. Let everything warm
  up for half an hour first.
"""
_LINE: TypeAdapter[str] = TypeAdapter(Line)
_ACCURACY = re.compile(
    r"\s*(?:±|\+/-)?\s*(?:(?P<pct>\d+(?:\.\d+)?)\s*%)?\s*\+?\s*(?:(?P<v>\d+(?:\.\d+)?)\s*V)?\s*"
)


class Volts(click.ParamType[float]):
    """A meter's reading: a number above 0."""

    name = "volts"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        try:
            volts = float(value)
        except ValueError:
            volts = math.nan
        if not 0 < volts <= MOST_V:
            self.fail(f"{value!r} is no voltage above 0 V and up to {MOST_V} V.", param, ctx)
        return volts


class Accuracy(click.ParamType[str]):
    """A maker's statement, asked again until it can be read."""

    name = "accuracy"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        try:
            _accuracy(value)
        except InputError as error:
            self.fail(f"{error}.", param, ctx)
        return str(value)


class OneLine(click.ParamType[str]):
    """A name as the file takes it, refused before anything else is asked."""

    name = "text"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        try:
            return _LINE.validate_python(value)
        except ValidationError as error:
            self.fail(f"{_first(error)}.", param, ctx)


@dataclass(frozen=True, slots=True)
class Said:
    """What the options say of the comparison; None where a person has to be asked."""

    reference_v: float | None
    accuracy: str | None
    reference_id: str | None
    sensor: str | None
    made_by: str | None


@dataclass(frozen=True, slots=True)
class Writing:
    """Where the result goes, and how freely."""

    output: Path | None
    add_level: bool
    even_so: bool


@dataclass(frozen=True, slots=True)
class Bench:
    """One channel under calibration."""

    settings: Settings
    channel: Channel
    path: Path
    before: Calibration
    seconds: float


def _options(function: Callable[..., None]) -> Callable[..., None]:
    """The many options, gathered into the two records above."""

    @click.option(
        "--reference-v", type=Volts(), metavar="V",
        help="What the reference true-rms meter shows now, in volts rms.",
    )  # fmt: skip
    @click.option(
        "--reference-accuracy", "accuracy", type=Accuracy(), metavar="TEXT",
        help='What its maker states there, such as "0.5 % + 0.2 V".',
    )  # fmt: skip
    @click.option(
        "--reference-id", type=OneLine(), metavar="TEXT", help="Its type and serial number."
    )
    @click.option(
        "--sensor", type=OneLine(), metavar="TEXT", help="The sensor's type and serial number."
    )
    @click.option(
        "--by", "made_by", type=OneLine(), metavar="NAME", help="Who makes the calibration."
    )
    @click.option("--add-level", is_flag=True, help="Add to the levels the file already has.")
    @click.option("--even-so", is_flag=True, help="Write although the scale looks wrong.")
    @click.option(
        "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
        help="By default what the configuration names, or calibration.yaml beside it.",
    )  # fmt: skip
    @wraps(function)
    def wrapper(config: Path, channel: str | None, seconds: float, **named: Any) -> None:
        said = Said(
            named["reference_v"], named["accuracy"], named["reference_id"], named["sensor"],
            named["made_by"],
        )  # fmt: skip
        writing = Writing(named["output"], named["add_level"], named["even_so"])
        function(config, channel, seconds, said, writing)

    return wrapper


@click.command("calibrate")
@click.option(
    "-c", "--config", "config", type=click.Path(path_type=Path), required=True, metavar="FILE",
    help="The configuration.",
)  # fmt: skip
@click.option("--channel", metavar="NAME", help="Which channel, when there are several.")
@click.option(
    "--seconds", type=click.FloatRange(2, 600), default=10.0, show_default=True,
    help="How long to measure at each level.",
)  # fmt: skip
@_options
def command(
    config: Path, channel: str | None, seconds: float, said: Said, writing: Writing
) -> None:
    """Find a channel's gain and offset by comparison with a reference meter.

    On a terminal it asks for what no option gave, and takes several levels one after the other.
    Otherwise everything comes from options, one level a call; --add-level takes a further one.
    """
    click.echo(CAUTIONS, err=True)
    bench = _bench(config, channel, seconds, writing.output)
    is_guided = sys.stdin.isatty()
    if is_guided and not click.confirm("Is the sensor connected, by someone qualified, and warm?"):
        raise InputError("nothing was measured: the sensor has to be connected and warm first")
    said = _completed(said, is_guided=is_guided)
    reference = _reference(said)
    levels = _former_levels(bench) if writing.add_level else ()
    levels, info = _measured(bench, said, levels, is_guided=is_guided)
    result = fit_levels(levels, info.full_scale_v)
    entry = _entry(bench, info, said, reference, (levels, result))
    uncertainty_pct = 2 * entry.gain_uncertainty_pct
    doubts = (
        *_doubts(bench, levels),
        *level_doubts(levels, result.linearity_pct, uncertainty_pct),
    )
    for doubt in doubts:
        click.echo(f"Look at this: {doubt}.", err=True)
    if doubts and not writing.even_so and not (is_guided and click.confirm("Write it even so?")):
        raise InputError("nothing was written: the scale looks wrong (--even-so writes it)")
    now_s = SystemClock().utc_ns() / 1e9
    kept = write_calibration(bench.path, bench.before.with_channel(entry), now_s)
    _say(bench, entry, result, kept)


def _bench(config: Path, name: str | None, seconds: float, output: Path | None) -> Bench:
    settings = load_settings(config, calibration_may_be_missing=True)
    if settings.channels is None:
        raise InputError(f"{config}: channels: list the channel that is to be calibrated")
    names = [channel.name for channel in settings.channels]
    if name is None and len(names) > 1:
        raise InputError(f"--channel is missing; there are {', '.join(names)}")
    if name is not None and name not in names:
        raise InputError(f"--channel is {name!r}; there is {', '.join(names)}")
    channel = settings.channels[names.index(name) if name is not None else 0]
    applied = settings.calibration
    path = output or (applied.path if applied else config.absolute().with_name("calibration.yaml"))
    before = load_calibration(path) if path.exists() else Calibration()
    return Bench(settings, channel, path, before, seconds)


def _completed(said: Said, *, is_guided: bool) -> Said:
    """With an answer to everything but the reading itself, which is asked at each level."""
    asked = {
        "accuracy": (
            "--reference-accuracy",
            'The meter\'s accuracy there, such as "0.5 % + 0.2 V"',
        ),
        "reference_id": ("--reference-id", "The meter's type and serial number"),
        "sensor": ("--sensor", "The sensor's type and serial number"),
        "made_by": ("--by", "Your name"),
    }
    missing = [option for key, (option, _) in asked.items() if getattr(said, key) is None]
    if said.reference_v is None:
        missing.append("--reference-v")
    if missing and not is_guided:
        raise InputError(f"without a terminal to ask on, {', '.join(missing)} must be given")
    answers = {
        key: click.prompt(question, type=Accuracy() if key == "accuracy" else OneLine())
        if getattr(said, key) is None
        else getattr(said, key)
        for key, (_, question) in asked.items()
    }
    return Said(said.reference_v, **answers)


def _reference(said: Said) -> Reference:
    """The meter; its words were checked as they were given."""
    accuracy_pct, accuracy_v = _accuracy(said.accuracy or "")
    identity = said.reference_id or ""
    return Reference(identity=identity, accuracy_pct=accuracy_pct, accuracy_v=accuracy_v)


def _accuracy(text: str) -> tuple[float, float]:
    """Per cent of the reading and volts."""
    parts = _ACCURACY.fullmatch(text)
    if parts is None or not (parts["pct"] or parts["v"]):
        raise InputError(f'{text!r} cannot be read; it is such as "0.5 %", "0.2 V" or both with +')
    pct, volts = float(parts["pct"] or 0), float(parts["v"] or 0)
    if pct > MOST_ACCURACY_PCT or volts > MOST_ACCURACY_V:
        raise InputError(f"{text!r} is beyond {MOST_ACCURACY_PCT:g} % or {MOST_ACCURACY_V:g} V")
    return pct, volts


def _first(error: ValidationError) -> str:
    fault = error.errors(include_url=False)[0]
    return f"{fault['input']!r} is not allowed: {fault['msg']}"


def _former_levels(bench: Bench) -> tuple[Level, ...]:
    former = bench.before.channel(bench.channel.name)
    if former is None:
        raise InputError(f"--add-level: {bench.path} has no level of {bench.channel.name} yet")
    return former.levels


def _measured(
    bench: Bench, said: Said, levels: tuple[Level, ...], *, is_guided: bool
) -> tuple[tuple[Level, ...], SourceInfo]:
    """The levels with the new ones, and what the input can do."""
    reference_v = said.reference_v
    while True:
        if reference_v is None:
            reference_v = click.prompt("The meter shows, in V rms", type=Volts())
        level, info = _level(bench, reference_v, SystemClock())
        levels = (*levels, level)
        click.echo(
            f"{reference_v:g} V on the meter: {level.input_rms_v:.6g} V rms at the input, "
            f"{level.frequency_hz:.3f} Hz, noise {level.input_noise_v:.2g} V",
            err=True,
        )
        if not is_guided or not click.confirm("Another level (needs a variable source)?"):
            return levels, info
        reference_v = None


def _level(bench: Bench, reference_v: float, clock: Clock) -> tuple[Level, SourceInfo]:
    options = bench.settings.driver
    source = find_driver(options.name)(options, clock)
    info = source.open()
    try:
        if bench.channel.input >= len(info.inputs):
            raise InputError(
                f"channel {bench.channel.name} has input {bench.channel.input}, but the driver "
                f"has {len(info.inputs)}, numbered from 0"
            )
        taken = take(source, info, SETTLE_S + bench.seconds, clock)
    finally:
        source.close()
    if taken.n_lost:
        raise InputError(f"{taken.n_lost} samples were lost on the way; run it again")
    volts = taken.volts[round(SETTLE_S * info.sample_rate_hz) :, bench.channel.input]
    nominal_hz = float(bench.settings.supply.frequency_hz)
    return measure_level(volts, info.sample_rate_hz, nominal_hz, reference_v), info


def _doubts(bench: Bench, levels: tuple[Level, ...]) -> tuple[str, ...]:
    """The level nearest to nominal counts; the others are set lower or higher on purpose."""
    nominal_v = bench.settings.supply.nominal_v
    nearest = min(levels, key=lambda level: abs(level.reference_v - nominal_v))
    gain = abs(bench.channel.gain_v_per_v)
    is_scaled = gain != 1.0 or not find_driver(bench.settings.driver.name).is_hardware
    former_v = nearest.input_rms_v * gain if is_scaled else None
    return scale_doubts(nearest.reference_v, nominal_v, former_v)


def _entry(
    bench: Bench,
    info: SourceInfo,
    said: Said,
    reference: Reference,
    found: tuple[tuple[Level, ...], Result],
) -> ChannelCalibration:
    levels, result = found
    now_s = SystemClock().utc_ns() / 1e9
    sign = -1.0 if bench.channel.gain_v_per_v < 0 else 1.0  # which way round, rms does not tell
    return ChannelCalibration(
        name=bench.channel.name,
        input=bench.channel.input,
        made_utc=datetime.fromtimestamp(int(now_s), UTC),
        made_by=said.made_by or "",
        driver=bench.settings.driver.name,
        sample_rate_hz=info.sample_rate_hz,
        sensor=said.sensor or "",
        reference=reference,
        gain_v_per_v=sign * result.gain_v_per_v,
        offset_v=result.offset_v,
        linearity_pct=result.linearity_pct,
        noise_v=result.noise_v,
        residual_distortion_pct=result.residual_distortion_pct,
        effective_bits=result.effective_bits,
        levels=levels,
    )


def _say(bench: Bench, entry: ChannelCalibration, result: Result, kept: Path | None) -> None:
    linearity = "one level: not known" if result.linearity_pct is None else (
        f"within {result.linearity_pct:.3f} % at {len(entry.levels)} levels"
    )  # fmt: skip
    rows = [
        ("Gain", f"{entry.gain_v_per_v:.6g} V mains for each V at the input"),
        ("Uncertainty", f"{2 * entry.gain_uncertainty_pct:.2g} % (k = 2), today"),
        ("Offset", f"{1000 * entry.offset_v:.4g} mV at the input"),
        ("Linearity", linearity),
        ("Noise floor", f"{entry.noise_v:.3g} V rms of mains voltage"),
        ("Distortion", f"{entry.residual_distortion_pct:.3g} %, the supply's own included"),
        ("Effective bits", f"{entry.effective_bits:.1f}"),
    ]
    click.echo(f"Channel {entry.name}, {entry.sensor}")
    for name, text in rows:
        click.echo(f"  {name:15} {text}")
    click.echo(f"Written: {bench.path}" + (f" (the one before: {kept.name})" if kept else ""))
    if bench.settings.calibration is None:
        click.echo(f"To use it, add to the configuration:  calibration: {bench.path.name}")
