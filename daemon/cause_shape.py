"""The shape of a disturbance: edges, plateaux, slow returns, second harmonic.

The features are those by which the literature tells causes of dips apart (Styvaktakis, Bollen and
Gu 2002; Kezunovic and Liao 2001; from memory); every limit is our own.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daemon.records import Waveform

Floats = NDArray[np.float64]

# A step fills a one-cycle window within a cycle, so within three half cycles each at least an
# eighth of it; an exponential of 0.1 s gains a tenth in the first half cycle, and less later.
ABRUPT_SHARE = 0.12
AT_BOTTOM_SHARE = 0.05  # of the depth: still at the lowest voltage
CALM_VALUES = 3  # half cycles needed before and after
LEVEL_PCT = 2.0  # values that lie this close are one plateau
STAGE_PCT = 4.0  # plateaux this far apart are two stages
SMALLEST_DEPTH_PCT = 1.0
AFTER_SHARE = 0.3  # of the values after the end, the last ones: the voltage it came back to
EARLY_WINDOWS = 4  # half cycles over which the second harmonic is taken, at the start and the end
GOALS = 5  # voltages that a return may be going to
FIT_FROM_SHARE = 0.15  # of the depth: smaller remains are not fitted


@dataclass(frozen=True, slots=True, eq=False)
class ChannelTrace:
    """`urms_half` of one channel around an event."""

    channel: str
    start_s: Floats  # of each one-cycle window
    urms_v: Floats


@dataclass(frozen=True, slots=True)
class Decay:
    """An exponential fitted to a return."""

    time_constant_s: float
    r_squared: float


@dataclass(frozen=True, slots=True)
class RmsShape:
    """A dip (a swell: mirrored) in % of the declared voltage."""

    before_pct: float
    extreme_pct: float
    after_pct: float
    abrupt_start: float  # share of the fall that came in steps
    abrupt_end: float  # share of the return that came in steps
    return_s: float  # from the last value at the bottom to the end of the event
    plateaux_pct: tuple[float, ...]  # stages of at least a cycle, in order
    decay: Decay | None

    @property
    def depth_pct(self) -> float:
        return abs(self.before_pct - self.extreme_pct)


@dataclass(frozen=True, slots=True)
class SecondHarmonic:
    """In % of the fundamental before the event."""

    before_pct: float
    early_pct: float  # from a cycle and a half after the start on
    late_pct: float  # before the end of the event, or of the samples kept


def period_s(trace: ChannelTrace, nominal_hz: float) -> float:
    """Length of a cycle as the trace has it."""
    if len(trace.start_s) < CALM_VALUES:
        return 1 / nominal_hz
    return 2 * float(np.median(np.diff(trace.start_s)))


def rms_shape(
    trace: ChannelTrace, span_s: tuple[float, float], declared_v: float, *, is_swell: bool
) -> RmsShape | None:
    """None where too little was kept before or after, or hardly anything happened."""
    start_s, end_s = span_s
    sign = -1.0 if is_swell else 1.0
    percent = sign * 100 * trace.urms_v / declared_v
    cycle_s = period_s(trace, 50)
    before = percent[trace.start_s < start_s - 1.25 * cycle_s]
    after = percent[trace.start_s >= end_s]
    inside = (trace.start_s >= start_s) & (trace.start_s < end_s)
    if min(len(before), len(after)) < CALM_VALUES or not inside.any():
        return None
    first_pct = float(np.median(before))
    last_pct = float(np.median(after[-max(CALM_VALUES, int(AFTER_SHARE * len(after))) :]))
    lowest_pct = float(percent[inside].min())
    depth_pct = min(first_pct, last_pct) - lowest_pct
    if depth_pct < SMALLEST_DEPTH_PCT:
        return None
    at_bottom = np.flatnonzero(inside & (percent <= lowest_pct + AT_BOTTOM_SHARE * depth_pct))
    falling, rising = percent[len(before) - 1 : at_bottom[0] + 1], percent[at_bottom[-1] :]
    times_s = trace.start_s[at_bottom[-1] :] - trace.start_s[at_bottom[-1]]
    return RmsShape(
        before_pct=sign * first_pct,
        extreme_pct=sign * lowest_pct,
        after_pct=sign * last_pct,
        abrupt_start=_abrupt_share(-falling),
        abrupt_end=_abrupt_share(rising),
        return_s=end_s - float(trace.start_s[at_bottom[-1]]),
        plateaux_pct=tuple(sign * level for level in _plateaux(percent[inside])),
        decay=_decay(times_s, rising, np.linspace(last_pct, max(first_pct, last_pct), GOALS)),
    )


def _abrupt_share(rising: Floats) -> float:
    """How much of a rise came in steps; falls back do not count against it."""
    steps = np.diff(rising)
    total = float(rising.max() - rising[0]) if len(rising) else 0.0
    if total <= 0:
        return 0.0
    return min(1.0, float(steps[steps >= ABRUPT_SHARE * total].sum()) / total)


def _plateaux(percent: Floats) -> list[float]:
    """Levels held for two windows and more, those close to each other taken together."""
    levels: list[float] = []
    run = [float(percent[0])]
    for value in [*percent[1:].tolist(), np.inf]:
        if max(*run, value) - min(*run, value) <= LEVEL_PCT:
            run.append(value)
            continue
        level = float(np.mean(run))
        if len(run) >= CALM_VALUES and not (levels and abs(levels[-1] - level) < STAGE_PCT):
            levels.append(level)
        run = [value]
    return levels


def _decay(times_s: Floats, rising: Floats, goals_pct: Floats) -> Decay | None:
    """The best of some fits: where a return is going to end, a short trace does not show."""
    fits = [_fit(times_s, goal - rising) for goal in np.unique(goals_pct)]
    return max(
        (fit for fit in fits if fit is not None), key=lambda fit: fit.r_squared, default=None
    )


def _fit(times_s: Floats, left_pct: Floats) -> Decay | None:
    """Straight line through the logarithm of what is still missing."""
    small = np.append(left_pct < FIT_FROM_SHARE * left_pct[0], True)
    count = int(np.argmax(small))
    if count < 2 * CALM_VALUES:
        return None
    log_left = np.log(left_pct[:count])
    slope, start = np.polyfit(times_s[:count], log_left, 1)
    spread = float(np.sum((log_left - log_left.mean()) ** 2))
    if slope >= 0 or spread <= 0:
        return None
    missed = float(np.sum((log_left - start - slope * times_s[:count]) ** 2))
    return Decay(float(-1 / slope), 1 - missed / spread)


def second_harmonic(
    waveforms: tuple[Waveform, ...], span_s: tuple[float, float], cycle_s: float
) -> SecondHarmonic | None:
    """From one-cycle transforms, half a cycle apart; none of them over an edge of the event."""
    start_s, end_s = span_s
    piece = next((one for one in waveforms if _holds(one, start_s)), None)
    if piece is None:
        return None
    length = round(cycle_s * piece.sample_rate_hz)
    starts = np.arange(0, len(piece.volts) - length, max(1, length // 2))
    if length < 8 or len(starts) == 0:
        return None
    windows = piece.volts[starts[:, None] + np.arange(length)].astype(np.float64)
    turns = np.exp(-2j * np.pi * np.outer(np.arange(length), [1, 2]) / length)
    size = np.abs(windows @ turns)
    begin_s = (piece.first_index + starts) / piece.sample_rate_hz
    before = begin_s + cycle_s < start_s - cycle_s / 2
    inside = (begin_s > start_s + 1.5 * cycle_s) & (begin_s + cycle_s < end_s)
    if before.sum() < 2 or inside.sum() < 2 * EARLY_WINDOWS:
        return None
    second = 100 * size[:, 1] / float(np.median(size[before, 0]))
    return SecondHarmonic(
        before_pct=float(np.median(second[before])),
        early_pct=float(np.median(second[inside][:EARLY_WINDOWS])),
        late_pct=float(np.median(second[inside][-EARLY_WINDOWS:])),
    )


def _holds(waveform: Waveform, instant_s: float) -> bool:
    index = instant_s * waveform.sample_rate_hz
    return waveform.first_index <= index < waveform.first_index + len(waveform.volts)


def legs_correlation(first: Waveform, second: Waveform) -> float | None:
    """Of the samples that both hold: -1 for the two legs of a split-phase supply, -0.5 for two of
    three phases; None where they hold too few in common."""
    begin = max(first.first_index, second.first_index)
    end = min(first.first_index + len(first.volts), second.first_index + len(second.volts))
    if end - begin < first.sample_rate_hz / 50:
        return None
    a, b = (
        one.volts[begin - one.first_index : end - one.first_index].astype(np.float64)
        for one in (first, second)
    )
    size = float(np.sqrt(np.sum(a * a) * np.sum(b * b)))
    return None if size == 0 else float(np.sum(a * b)) / size
