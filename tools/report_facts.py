"""The parts of a report that say where the figures come from, and what they cannot say."""

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.archive import Archive, RunRow
from daemon.isolation_words import UNKNOWN, is_unstated
from daemon.page.words import plain_words
from daemon.profiles import Profile, scope_warning
from daemon.records import LogKind
from daemon.resolution import resolution
from daemon.stored_settings import settings_of, table_of
from daemon.tolerance import Limits
from tools.monitors import UNNAMED, Monitors
from tools.site import SIMULATED
from tools.text import plural
from tools.unseen import unseen
from tools.verdicts import NO_PROFILE, Supply, known_supplies

Fact = tuple[str, str]
CLOCKS = {
    "synchronised": "set from the network (stated by the computer; taken as within 100 ms)",
    "corrected": "set afterwards (taken as within 1 s)",
    "free": "nothing set it: times may be off by any amount",
    "recording": "times are those of the recording",
    SIMULATED: "times are those of the simulation",
}
METHODS = (
    "The voltage is sampled continuously. One-cycle rms is taken from each zero crossing of the "
    "fundamental, renewed every half cycle (Urms(1/2) of IEC 61000-4-30).",
    "A dip, swell or interruption begins with the first such value beyond its threshold and ends "
    "with the first one back inside by the hysteresis. Its value is the extreme one.",
    "Whether equipment may stop is judged from the longest unbroken time beyond each level, from "
    "one-cycle rms slid sample by sample; the points of the chart show extreme and whole duration.",
    "Harmonics are subgroups over 10 cycles (50 Hz) or 12 cycles (60 Hz) as in IEC 61000-4-7; "
    "distortion is their sum over 3 seconds. Frequency counts whole cycles over 10 seconds.",
    "Methods follow IEC 61000-4-30; the monitor is not a certified instrument. Figures are "
    "compared with published limits; this proves no conformity.",
)
UNWIRED = {"simulated", "recording"}  # drivers with no circuit behind them
SAFETY = (
    "Mains can kill. Nothing in this report says that a circuit is safe to touch; work on fixed "
    "wiring is for a qualified electrician under local rules."
)
_KINDS_TO_CAPTURE = {
    "distortion_pct": "distortion",
    "frequency_pct": "frequency",
    "transient_pct": "transients",
    "rapid_change_pct": "rapid voltage changes",
}


@dataclass(frozen=True, slots=True)
class Compared:
    """What the events were compared with."""

    profiles: tuple[Profile, ...]
    names: str


def site_facts(archive: Archive) -> list[Fact]:
    """Place, circuit, supply, sensor, calibration; of several monitors what each of them has."""
    runs, found = archive.runs(), dict[str, dict[str, str]]()
    for monitor in Monitors(archive).all:
        ours = [run for run in runs if (run.origin or UNNAMED) == monitor.name]
        found[monitor.name or UNNAMED] = dict(_facts_of(archive, ours))
    names = dict.fromkeys(name for facts in found.values() for name in facts)
    facts = [(name, _of_each(name, found)) for name in names]
    if len(found) > 1:
        facts.append(("Merged from", ", ".join(found)))
    return facts


def _of_each(name: str, found: dict[str, dict[str, str]]) -> str:
    """One text where it holds for all monitors, else that of each."""
    texts = {monitor: facts.get(name, "not stated") for monitor, facts in found.items()}
    if len(set(texts.values())) == 1:
        return next(iter(texts.values()))
    return "; ".join(f"{monitor}: {text}" for monitor, text in texts.items())


def _facts_of(archive: Archive, runs: Sequence[RunRow]) -> list[Fact]:
    """The facts of one monitor, from the settings of its latest run."""
    settings = settings_of(archive, runs[-1].settings_id)
    site, supply = table_of(settings, "site"), table_of(settings, "supply")
    driver = table_of(settings, "driver")
    facts = [
        ("Site", _text(site.get("name"))),
        ("Circuit", _text(site.get("circuit"))),
        ("Declared supply", _supply_words(supply)),
        ("Channels", ", ".join(dict.fromkeys(name for run in runs for name in run.channels))),
        ("Input", f"{_text(driver.get('name')) or runs[-1].driver}, {_rates(runs)}"),
        ("Sensor and isolation", _isolation(table_of(site, "isolation"), runs)),
        ("Scaling", _scaling(settings)),
        ("Calibration", _calibration(archive, {run.id for run in runs})),
        ("Clock", "; ".join(CLOCKS.get(c, c) for c in dict.fromkeys(map(_clock, runs)))),
        ("Time zone", runs[-1].timezone),
    ]
    return [(name, text) for name, text in facts if text]


def _clock(run: RunRow) -> str:
    return SIMULATED if (run.clock, run.driver) == ("recording", SIMULATED) else run.clock


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _supply_words(supply: dict[str, object]) -> str:
    nominal_v, frequency_hz = supply.get("nominal_v"), supply.get("frequency_hz")
    if not isinstance(nominal_v, int | float) or not isinstance(frequency_hz, int | float):
        return "not stated"
    return f"{plain_words(float(nominal_v))} V, {frequency_hz:g} Hz"


def _rates(runs: Sequence[RunRow]) -> str:
    rates = dict.fromkeys(run.sample_rate_hz for run in runs)
    return " and ".join(f"{rate / 1000:g} kS/s" for rate in rates)


def _isolation(isolation: dict[str, object], runs: Sequence[RunRow]) -> str:
    if isolation:
        keys = ("barrier", "rating", "checked_by", "checked_on")
        barrier, rating, who, when = (_text(isolation.get(key)) for key in keys)
        return f"{barrier}; {rating}; checked by {who} on {when}"
    if {run.driver for run in runs} <= UNWIRED:
        return f"none: {runs[-1].driver}, nothing was connected"
    return "not stated"


def isolation_cautions(archive: Archive) -> list[str]:
    """What to say first where a circuit was watched through an isolation that nobody could name."""
    found = []
    for run in archive.runs():
        isolation = table_of(table_of(settings_of(archive, run.settings_id), "site"), "isolation")
        said = (_text(isolation.get(key)) for key in ("barrier", "rating"))
        if isolation and run.driver not in UNWIRED and any(is_unstated(text) for text in said):
            found.append(UNKNOWN)
    return found[:1]


def _scaling(settings: dict[str, object]) -> str:
    channels = settings.get("channels")
    if not isinstance(channels, list):
        return "as the input gives it"
    parts = [
        f"{channel.get('name')}: {channel.get('gain_v_per_v'):g} V mains for each V at the input"
        for channel in channels
        if isinstance(channel, dict) and isinstance(channel.get("gain_v_per_v"), int | float)
    ]
    return "; ".join(parts)


def _calibration(archive: Archive, run_ids: set[int]) -> str:
    rows = [row for row in archive.log(LogKind.CALIBRATED) if row.run_id in run_ids]
    if rows:
        return "; ".join(f"{row.start_local[:16]}: {row.text}" for row in rows)
    return "none is recorded: values rest on the scaling as configured"


def limits_of_sight(archive: Archive, compared: Compared) -> list[str]:
    """What the monitor could not have seen."""
    found = [
        resolution(rate).text for rate in dict.fromkeys(r.sample_rate_hz for r in archive.runs())
    ]
    for supply in dict.fromkeys(known_supplies(archive).values()):
        found += _thresholds(supply)
        found += [
            text
            for profile in compared.profiles
            if isinstance(profile, Limits)
            for text in unseen(profile, supply)
        ]
    found += _not_captured(archive)
    found += [
        "Surges of microseconds, as from lightning, are neither seen nor ruled out.",
        "Only the voltage of the channels named above was measured: no currents, no voltage "
        "between neutral and earth, no other circuit. Whether a disturbance came from the "
        "network or from the installation itself, one place alone cannot tell for certain.",
        "Nothing is known of the time that was not watched.",
    ]
    return list(dict.fromkeys(found))


def _thresholds(supply: Supply) -> list[str]:
    if supply.dip_pct is None or supply.swell_pct is None:
        return []
    return [
        f"Voltages between {supply.dip_pct:g} % and {supply.swell_pct:g} % of the declared voltage "
        "made no event."
    ]


def _not_captured(archive: Archive) -> list[str]:
    found: list[str] = []
    for run in archive.runs():
        capture = table_of(settings_of(archive, run.settings_id), "capture")
        found += [
            f"{noun.capitalize()} {'were' if noun.endswith('s') else 'was'} not captured."
            for key, noun in _KINDS_TO_CAPTURE.items()
            if key in capture and capture[key] is None
        ]
    return found


def profile_facts(archive: Archive, compared: Compared) -> list[str]:
    """Title, edition, source and warning of what was compared with."""
    found = []
    for profile in compared.profiles:
        edition = f", edition {profile.edition}" if profile.edition else ""
        found.append(f"{profile.title}{edition} ({profile.id}). {profile.source}")
        for supply in dict.fromkeys(known_supplies(archive).values()):
            warning = scope_warning(profile, supply.nominal_v, supply.frequency_hz)
            found += [warning] if warning else []
    known = {profile.id for profile in compared.profiles}
    missing = [name for name in compared.names.split(", ") if name not in known]
    if compared.names == NO_PROFILE:
        found.append("nothing: neither an event nor the settings of the watch name a profile.")
    elif missing:
        found.append(f"The profile {' and '.join(missing)} is not on this machine.")
    return list(dict.fromkeys(found))


def runs_words(archive: Archive) -> str:
    """How many runs there were, and how many samples."""
    runs = archive.runs()
    lost = sum(run.samples_lost for run in runs)
    return f"{plural(len(runs), 'run')}, {plural(lost, 'sample')} lost"
