"""`halfcycle preflight`: everything that spoils a week, before it starts."""

from datetime import UTC, datetime
from itertools import combinations
from pathlib import Path
from zoneinfo import ZoneInfo

import click

from daemon.settings import Channel, Settings, load_settings
from daemon.setup import pipeline_setup
from daemon.unwatched import unwatched
from drivers.clock import Clock, SystemClock
from drivers.errors import OptionError, SourceFailed, SourceUnavailable
from drivers.registry import find_driver
from drivers.source import SourceInfo
from tools import preflight_checks as checks
from tools import preflight_facts as facts
from tools.preflight_checks import Finding, Grade
from tools.preflight_lines import line_findings
from tools.sampling import Taken, take

WORDS = {Grade.GOOD: "good", Grade.LOOK: "look at this", Grade.NO: "will not work"}
EXITS = {Grade.GOOD: 0, Grade.LOOK: 1, Grade.NO: 3}
SAFETY = (
    "Mains can kill. Nothing here says that a circuit is safe: that is for a qualified electrician."
)
EARTHED = (
    "A cable to a screen, a network or a laptop on its charger may join the extra-low-voltage side "
    "to earth."
)


@click.command("preflight")
@click.option(
    "-c", "--config", "config", type=click.Path(path_type=Path), required=True, metavar="FILE",
    help="The configuration.",
)  # fmt: skip
@click.option(
    "--seconds", type=click.FloatRange(2, 600), default=10.0, show_default=True,
    help="How long to look at the samples.",
)  # fmt: skip
def command(config: Path, seconds: float) -> None:
    """Check everything that could spoil a watch, one line each.

    Exit status: 0 all good; 1 something to look at; 2 the configuration is wrong; 3 something
    that will not work.
    """
    clock = SystemClock()
    settings = load_settings(config)
    found = [*_input_findings(settings, seconds, clock), *_surroundings(settings, clock)]
    for finding in found:
        click.echo(f"{WORDS[finding.grade]:13}  {finding.subject}: {finding.text}")
    worst = max(finding.grade for finding in found)
    click.echo(_answer(found, worst))
    click.echo(SAFETY)
    if find_driver(settings.driver.name).is_hardware:
        click.echo(EARTHED)
    raise click.exceptions.Exit(EXITS[worst])


def _answer(found: list[Finding], worst: Grade) -> str:
    if worst is Grade.GOOD:
        return "Ready: nothing stands in the way of a watch."
    named = ", ".join(one.subject for one in found if one.grade is worst)
    lead = "Not ready" if worst is Grade.NO else "Ready, but look at this first"
    return f"{lead}: {named}."


def _input_findings(settings: Settings, seconds: float, clock: Clock) -> list[Finding]:
    """What the samples tell; a device that is not there is one finding."""
    source = find_driver(settings.driver.name)(settings.driver, clock)
    try:
        info = source.open()
        taken = take(source, info, seconds, clock)
    except OptionError:
        raise
    except (SourceUnavailable, SourceFailed) as error:
        return [Finding(Grade.NO, "Driver", str(error))]
    finally:
        source.close()
    opened = Finding(Grade.GOOD, "Driver", f"{settings.driver.name} opens, {info.bits} bits")
    if len(taken.volts) < info.sample_rate_hz:
        return [opened, Finding(Grade.NO, "Sampling", "less than a second of samples came")]
    rate = checks.check_rate(facts.rate_facts(taken, info))
    return [opened, rate, *_channel_findings(settings, info, taken)]


def _channel_findings(settings: Settings, info: SourceInfo, taken: Taken) -> list[Finding]:
    nominal_v, nominal_hz = settings.supply.nominal_v, float(settings.supply.frequency_hz)
    setup = pipeline_setup(settings, info)  # refuses a rate or an input that cannot be
    channels = settings.channels or tuple(
        Channel(name=name, input=number) for number, name in enumerate(info.inputs)
    )
    seen = [
        facts.channel_facts(taken, info, channel, nominal_hz)
        for channel in channels
        if channel.kind == "line"
    ]
    found = [
        Finding(Grade.LOOK, "Watching", f"not for {text}")
        for text in unwatched(settings, info, setup)
    ]
    for channel in seen:
        found += [
            checks.check_level(channel, nominal_v),
            checks.check_frequency(channel, nominal_hz),
            checks.check_room(channel, nominal_v, info.full_scale_v),
            checks.check_noise(channel, nominal_v),
            checks.check_dc(channel, nominal_v),
        ]
    return found + _pair_findings(settings, seen)


def _pair_findings(settings: Settings, seen: list[checks.ChannelFacts]) -> list[Finding]:
    """How the lines stand to each other."""
    is_three_phase = settings.supply.wiring == "three_phase"
    found = [
        checks.check_pair(first, second, is_three_phase=is_three_phase)
        for first, second in combinations(seen, 2)
    ]
    if is_three_phase and len(seen) == 3 and all(channel.phasor_v for channel in seen):
        found.append(checks.check_rotation(seen[0], seen[1]))
    return found


def _surroundings(settings: Settings, clock: Clock) -> list[Finding]:
    disk = facts.disk_facts(settings.store.path.absolute(), settings.store.keep_mb, clock)
    return [
        *_calibrations(settings, clock),
        checks.check_clock(facts.time_source(), is_synchronised=clock.is_synchronised()),
        _timezone(settings, clock),
        checks.check_disk(disk),
        checks.check_write_speed(disk),
        checks.check_card(disk),
        checks.check_power(facts.power_facts()),
        checks.check_temperature(facts.temperature_c()),
        *line_findings(settings),
        _isolation(settings, clock),
    ]


def _calibrations(settings: Settings, clock: Clock) -> list[Finding]:
    is_hardware = find_driver(settings.driver.name).is_hardware
    content = settings.calibration.content if settings.calibration else None
    found = []
    for channel in settings.channels or ():
        entry = content.channel(channel.name) if content else None
        age_days = None if entry is None else entry.age_days(clock.utc_ns() / 1e9)
        subject = f"{channel.name} calibration"
        found.append(checks.check_calibration(age_days, subject, is_hardware=is_hardware))
    return found or [checks.check_calibration(None, "Calibration", is_hardware=is_hardware)]


def _timezone(settings: Settings, clock: Clock) -> Finding:
    now = datetime.fromtimestamp(clock.utc_ns() / 1e9, UTC)
    site = now.astimezone(ZoneInfo(settings.site.timezone)).utcoffset()
    system = now.astimezone().utcoffset()
    assert site is not None
    assert system is not None
    return checks.check_timezone(
        site.total_seconds(), system.total_seconds(), settings.site.timezone
    )


def _isolation(settings: Settings, clock: Clock) -> Finding:
    isolation = settings.site.isolation
    today = datetime.fromtimestamp(clock.utc_ns() / 1e9, ZoneInfo(settings.site.timezone)).date()
    return checks.check_isolation(
        (isolation.barrier, isolation.rating) if isolation else None,
        isolation.checked_on if isolation else None,
        today,
        is_hardware=find_driver(settings.driver.name).is_hardware,
    )
