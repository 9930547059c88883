"""What the stages hand on: frozen records, units in the names, arrays read-only.

The time axis is the sample index. A fractional index such as 1234.25 lies between two samples.
`start_s` and the like are seconds from the first sample of the run: index / sample rate.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


class Kind(StrEnum):
    """Event kinds, in IEC 61000-4-30 terms."""

    DIP = "dip"
    SWELL = "swell"
    INTERRUPTION = "interruption"
    TRANSIENT = "transient"
    RAPID_VOLTAGE_CHANGE = "rapid_voltage_change"
    DISTORTION = "distortion"
    FREQUENCY = "frequency"
    FLICKER = "flicker"
    UNBALANCE = "unbalance"


class LogKind(StrEnum):
    """What the log can hold besides events."""

    STARTED = "started"
    STOPPED = "stopped"
    UNOBSERVED = "unobserved"
    SUPPLY_RETURNED = "supply_returned"
    CLOCK_SET = "clock_set"
    MARK = "mark"
    FAULT = "fault"
    CALIBRATED = "calibrated"
    SETTINGS_CHANGED = "settings_changed"
    MERGED = "merged"


class Verdict(StrEnum):
    """What a tolerance profile says of an event."""

    WITHIN = "within"
    MAY_STOP = "may_stop"
    MAY_DAMAGE = "may_damage"
    BEYOND_LIMIT = "beyond_limit"


@dataclass(frozen=True, slots=True)
class Gap:
    """Samples that were never seen."""

    first_index: int
    n_samples: int
    cause: str


@dataclass(frozen=True, slots=True, eq=False)
class HalfCycles:
    """`urms_half` values of one channel: one-cycle rms, renewed each half cycle."""

    channel: int
    start_index: NDArray[np.float64]  # start of each one-cycle window, in samples
    period: NDArray[np.float64]  # length of each window, in samples
    urms_v: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class BasicInterval:
    """10 cycles at 50 Hz, 12 at 60 Hz."""

    channel: int
    start_index: float
    end_index: float
    urms_v: float
    frequency_hz: float  # NaN without a voltage to lock to
    thd_pct: float  # subgroup distortion THDS, orders 2 to 50; NaN without a fundamental
    harmonics_pct: NDArray[np.float64]  # subgroups 1 to 50, in % of the first; NaN: unknown
    flagged: bool  # a dip, swell, interruption or gap touches it


@dataclass(frozen=True, slots=True, eq=False)
class BasicIntervals:
    """Basic intervals of one channel in order of time: arrays of one length, else as above."""

    channel: int
    start_index: NDArray[np.float64]
    end_index: NDArray[np.float64]
    urms_v: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    thd_pct: NDArray[np.float64]
    harmonics_pct: NDArray[np.float64]  # shape (n, 50)
    flagged: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.start_index)

    def __iter__(self) -> Iterator[BasicInterval]:
        """One by one."""
        columns = (
            self.start_index.tolist(),
            self.end_index.tolist(),
            self.urms_v.tolist(),
            self.frequency_hz.tolist(),
            self.thd_pct.tolist(),
            self.harmonics_pct,
            self.flagged.tolist(),
        )
        return (BasicInterval(self.channel, *row) for row in zip(*columns, strict=True))

    def part(self, piece: slice) -> "BasicIntervals":
        """Some of them."""
        return BasicIntervals(
            self.channel,
            self.start_index[piece],
            self.end_index[piece],
            self.urms_v[piece],
            self.frequency_hz[piece],
            self.thd_pct[piece],
            self.harmonics_pct[piece],
            self.flagged[piece],
        )

    def then(self, later: "BasicIntervals") -> "BasicIntervals":
        """These and those after them."""
        return BasicIntervals(
            self.channel,
            np.concatenate([self.start_index, later.start_index]),
            np.concatenate([self.end_index, later.end_index]),
            np.concatenate([self.urms_v, later.urms_v]),
            np.concatenate([self.frequency_hz, later.frequency_hz]),
            np.concatenate([self.thd_pct, later.thd_pct]),
            np.concatenate([self.harmonics_pct, later.harmonics_pct]),
            np.concatenate([self.flagged, later.flagged]),
        )

    def touched_by(self, spans: list[tuple[float, float]]) -> "BasicIntervals":
        """The same, flagged where one of these spans of samples touches them."""
        if not spans:
            return self
        flagged = self.flagged.copy()
        for begins, ends in spans:
            flagged |= (begins < self.end_index) & (ends > self.start_index)
        return replace(self, flagged=flagged)


@dataclass(frozen=True, slots=True)
class TenSecondFrequency:
    """Power frequency: whole cycles in the slot over their time."""

    start_index: float
    frequency_hz: float
    flagged: bool


@dataclass(frozen=True, slots=True)
class TenMinuteValue:
    """One channel over one ten-minute slot."""

    channel: int
    start_index: float
    urms_v: float
    under_pct: float  # under-deviation in % of the declared voltage
    over_pct: float  # over-deviation, likewise
    thd_pct: float
    pst: float | None  # None: no flicker measured, or not for the whole slot
    flagged: bool


@dataclass(frozen=True, slots=True)
class TwoHourValue:
    """One channel over two hours: its twelve ten-minute values."""

    channel: int
    start_index: float
    urms_v: float
    under_pct: float  # under-deviation in % of the declared voltage
    over_pct: float  # over-deviation, likewise
    thd_pct: float
    plt: float | None  # None: not all of the twelve Pst are known
    flagged: bool


@dataclass(frozen=True, slots=True)
class UnbalanceValue:
    """Three voltages over common windows, in % of the positive sequence (IEC 61000-4-30, 5.7)."""

    start_index: float
    end_index: float
    u2_pct: float  # negative sequence; NaN where there is no positive one
    u0_pct: float  # zero sequence, likewise
    flagged: bool


@dataclass(frozen=True, slots=True)
class Finding:
    """What belongs into the log and is no event of the supply; told at its start and its end."""

    start_s: float
    duration_s: float | None  # None: it has only begun
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """`urms_half` around one event. A long event keeps its start and its end."""

    start_s: NDArray[np.float64]
    urms_v: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Waveform:
    """Samples around one event, at the full rate. A long event has one for each end."""

    first_index: int
    sample_rate_hz: float
    volts: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class LevelTime:
    """Longest unbroken time of an event beyond one level, from one-cycle rms at every sample."""

    level_pct: float  # of declared voltage; below 100 counts time under it, above 100 time over it
    longest_s: float


@dataclass(frozen=True, slots=True)
class EventDetail:
    """What else is known of an event, beyond what the standard asks for; None: not known."""

    # Dips, swells and interruptions: the waveform itself.
    start_fine_s: float | None = None  # from the first sample of the run
    end_fine_s: float | None = None
    start_angle_deg: float | None = None  # of the fundamental before the event
    end_angle_deg: float | None = None
    phase_jump_deg: float | None = None
    dropout_half_cycles: int | None = None
    # Interruptions: its first crossing of that threshold and its latest way back, of `urms_half`.
    interruption_start_s: float | None = None
    interruption_end_s: float | None = None
    dip_type: str | None = None  # A to G (Bollen), of three phases; None: not certain
    # Rapid voltage changes.
    delta_ss_v: float | None = None  # between the steady voltages before and after
    # Transients.
    deviation_v: float | None = None  # from the expected waveform
    width_s: float | None = None  # above half the deviation
    point_on_wave_deg: float | None = None
    oscillation_hz: float | None = None  # None: impulsive
    looks_like_capacitor: bool | None = None
    peak_loss_pct: float | None = None  # by how much at most sampling made a rising peak read low
    is_resolved: bool | None = None  # whether its size may be quoted at this sampling rate
    count: int | None = None  # of notches, or of transients of a storm
    per_cycle: int | None = None  # notches
    # What is known of how far the values may be off.
    fine_uncertainty_s: float | None = None  # of the time between the waveform's own ends, k = 2
    uncertainty_without: str | None = None  # what no uncertainty includes, as nobody measured it


NO_DETAIL = EventDetail()


@dataclass(frozen=True, slots=True, eq=False)
class Event:
    """One disturbance on one channel, as it stands now; open ones are handed on again later."""

    number: int  # within the run; the same each time this event is handed on
    kind: Kind
    channel: str
    group: int  # simultaneous events on other channels share it
    start_s: float
    duration_s: float | None  # None while open
    value: float  # in `unit`
    unit: str
    value_pct: float
    threshold: float  # in `unit`: the limit whose crossing opened the event
    extreme_s: float  # when `value` was reached
    below_interruption_s: float | None
    level_times: tuple[LevelTime, ...]
    complete: bool  # both ends were seen
    flags: tuple[str, ...]
    trace: Trace | None = None
    waveforms: tuple[Waveform, ...] = ()
    detail: EventDetail = NO_DETAIL


@dataclass(slots=True)
class Output:
    """What one block brought, in order of time for each channel."""

    half_cycles: list[HalfCycles] = field(default_factory=list)
    basic: list[BasicIntervals] = field(default_factory=list)
    frequencies: list[TenSecondFrequency] = field(default_factory=list)
    ten_minute: list[TenMinuteValue] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    unbalance: list[UnbalanceValue] = field(default_factory=list)  # over basic intervals
    unbalance_ten_minute: list[UnbalanceValue] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    two_hour: list[TwoHourValue] = field(default_factory=list)

    @property
    def intervals(self) -> list[BasicInterval]:
        """Basic intervals one by one."""
        return [interval for several in self.basic for interval in several]


@dataclass(frozen=True, slots=True)
class Judgement:
    """An event compared with one tolerance profile."""

    profile: str  # its id
    verdict: Verdict | None  # None: the profile says nothing of this kind of event
    limit: str | None  # the step that gave the verdict, in words: "below 70 % for at most 0.02 s"
    # What was left to the nearest limit, below 0 when it was passed; None where nothing bounds it.
    margin_pct: float | None = None  # of declared voltage: how far the whole event could be moved
    margin_s: float | None = None  # how much longer it could have lasted beyond the level
    severity: float | None = None  # Se of IEEE 1564 against an immunity curve; dips only
    label: str | None = None  # the class, where the profile is a classification


@dataclass(frozen=True, slots=True)
class FirstStamp:
    """A stamp as it was given at the time, before something better was known."""

    utc_s: float  # seconds since 1970 UTC
    clock: str  # synchronised or free


@dataclass(frozen=True, slots=True, eq=False)
class JudgedEvent:
    """An event ready to be stored."""

    event: Event
    judgement: Judgement
    start_utc_s: float  # seconds since 1970 UTC
    clock: str  # how far that stamp can be trusted: synchronised, free, corrected, recording
    category: str | None = None  # IEEE 1159
    cell: str | None = None  # depth and duration (DISDIP)
    uncertainty: float | None = None  # of the event's value, in its unit, k = 2
    duration_uncertainty_s: float | None = None
    cause: str | None = None  # what probably caused it
    evidence: str | None = None  # for that cause
    first: FirstStamp | None = None  # None: the stamp was never corrected


@dataclass(frozen=True, slots=True)
class LogEntry:
    """Something the reader of the events has to know."""

    kind: LogKind
    start_utc_s: float
    start_s: float | None  # seconds from the first sample of the run, where it was in the run
    duration_s: float | None
    text: str
    first: FirstStamp | None = None  # None: the stamp was never corrected
