"""How far a measured value may be off: a budget, term by term (GUM, JCGM 100:2008).

Every term is a standard uncertainty; limits without a known distribution count as rectangular,
their half width over sqrt(3) (GUM 4.3.7). Terms add in squares, k = 2, about 95 %. What is known
to push one way only and is not corrected is added on top, in full.

Not in any budget, because it cannot be known from here: the sensor's own drift and phase error,
what lies between the sensor and the equipment, and the method's definition itself (a one-cycle
window that is half covered by a dip reads half of it; that is the standard's reading, no error).
"""

import cmath
import math
from collections.abc import Sequence
from dataclasses import dataclass

from daemon.resolution import resolution

COVERAGE = 2.0  # k
NO_GAIN = "gain (never calibrated)"
NO_NOISE = "noise (not measured)"
NO_CLOCK = "clock (error not known)"
NO_ANGLE = "angles between the sensors (not measured)"
RECTANGULAR = 1 / math.sqrt(3)
# A rounding error repeats where samples fall on the same places of each quarter cycle, and then
# only a quarter of them are independent. Noise would break that up, but may be less than a step.
INDEPENDENT_ROUNDINGS = 1 / 4
# Largest share of a cycle by which the window may be off: while a disturbance hides the phase, it
# runs on at the last frequency (0.05 Hz of 50). Half of it is the rms error of a sine
# (elementary: |sin(2 pi k e)| / (4 pi k) for k cycles).
WINDOW_SHARE = 1e-3
FREQUENCY_SLOT_S = 10.0
TRACKING_CYCLES = 4  # of the window in which a crossing is found
HANN_NOISE_LINES = 1.5  # equivalent noise width of that window
FREQUENCY_METHOD_HZ = 0.001  # ramps, steps and interharmonics of 1 %: `tools.accuracy`, rows F
THD_METHOD_PCT = 0.05  # leakage into all subgroups, of the fundamental: the same, rows H
FLICKER_METHOD_PCT = 5.0  # of Pst, the standard's own limit; `tools.accuracy`, rows of flicker
UNBALANCE_METHOD_PCT = 0.002  # of the positive sequence: `tools.accuracy`, rows U
INTERVAL_S = 0.2
SUBGROUP_LINES = 3 * 49  # lines that make up the distortion
HIGH_ORDER = 25  # nearly all distortion of a mains voltage lies up to here (common practice)


@dataclass(frozen=True, slots=True)
class Chain:
    """What stands between the mains and the samples, in mains volts.

    :param gain_pct: expanded uncertainty (k = 2) of the calibrated gain; None: never calibrated.
    :param noise_v: rms of one sample's noise, quantisation not counted; None: not measured.
    :param clock_ppm: limit of the sampling clock's error; None: not known.
    """

    sample_rate_hz: float
    frequency_hz: float  # of the mains
    bits: int
    full_scale_v: float  # largest |volts|
    bandwidth_hz: float
    gain_pct: float | None = None
    noise_v: float | None = None
    clock_ppm: float | None = None
    jitter_s: float = 0.0  # rms error of a sampling instant

    @property
    def step_v(self) -> float:
        """One code of the converter."""
        return self.full_scale_v / float(1 << (self.bits - 1))

    def sample_noise_v(self, rms_v: float) -> float:
        """rms error of one sample: rounding, noise, and jitter on the slope of a sine."""
        jitter_v = 2 * math.pi * self.frequency_hz * rms_v * self.jitter_s
        return math.hypot(self.step_v / math.sqrt(12), self.noise_v or 0.0, jitter_v)


@dataclass(frozen=True, slots=True)
class Term:
    """One line of a budget."""

    name: str
    standard: float  # uncertainty in the value's unit
    source: str


@dataclass(frozen=True, slots=True)
class Budget:
    """A value with what is known of its error."""

    value: float
    unit: str
    terms: tuple[Term, ...]
    one_sided: float = 0.0  # error of known sense that is not corrected
    unknown: tuple[str, ...] = ()  # terms that are missing because nobody measured them

    @property
    def standard(self) -> float:
        """Combined standard uncertainty."""
        return math.sqrt(math.fsum(term.standard**2 for term in self.terms))

    @property
    def expanded(self) -> float:
        """k = 2, and what is one-sided in full."""
        return COVERAGE * self.standard + abs(self.one_sided)

    @property
    def text(self) -> str:
        """Such as `161.2 V ± 0.9 V (k = 2)`, with what it leaves out."""
        if not math.isfinite(self.expanded):
            return f"{self.value:.4g} {self.unit}, how far off is not known"
        left_out = f"; not included: {', '.join(self.unknown)}" if self.unknown else ""
        return f"{with_spread(self.value, self.expanded, self.unit)} (k = 2{left_out})"


def with_spread(value: float, off: float, unit: str) -> str:
    """Such as `161.2 V ± 0.9 V`: both with the places that the uncertainty has."""
    decimals = _decimals(off)
    name = f" {unit}" if unit else ""
    return f"{value:.{decimals}f}{name} ± {off:.{decimals}f}{name}"


def _decimals(off: float) -> int:
    """Places that show the uncertainty with two digits where it begins with 1 or 2, else one."""
    if off <= 0:
        return 3
    exponent = math.floor(math.log10(off))
    first_digit = off / 10.0**exponent
    return max(0, -exponent + (1 if first_digit < 2.95 else 0))


def rms_budget(rms_v: float, chain: Chain, n_cycles: float = 1.0) -> Budget:
    """rms over one cycle (dip, swell, interruption), or over several."""
    n_samples = n_cycles * chain.sample_rate_hz / chain.frequency_hz
    rounding_v = chain.step_v / math.sqrt(12 * n_samples * INDEPENDENT_ROUNDINGS)
    random_v = math.sqrt(chain.sample_noise_v(rms_v) ** 2 - chain.step_v**2 / 12)
    terms = [
        *_gain(rms_v, chain),
        Term("resolution", rounding_v, "step / sqrt(12), a quarter of the samples independent"),
        Term("noise", random_v / math.sqrt(n_samples), "noise and jitter / sqrt(samples)"),
        Term(
            "window",
            rms_v * WINDOW_SHARE / 2 * RECTANGULAR / n_cycles,
            "length of the cycle off by 0.1 %: half of that at most (elementary)",
        ),
        Term(
            "edges",
            rms_v * math.pi / (2 * (n_samples / n_cycles) ** 2 * n_cycles) * RECTANGULAR,
            "a sample held at both ends: pi / (2 N^2) at most (elementary)",
        ),
    ]
    # Noise adds to the square whatever the voltage: all that is read of no voltage is noise.
    floor_v = rms_v - math.sqrt(max(rms_v**2 - chain.sample_noise_v(rms_v) ** 2, 0.0))
    return Budget(rms_v, "V", tuple(terms), floor_v, _unknown(chain, "gain", "noise"))


def change_budget(change_v: float, rms_v: float, chain: Chain) -> Budget:
    """Difference of two one-cycle rms values near `rms_v`; the gain scales the difference only."""
    each = [term for term in rms_budget(rms_v, chain).terms if term.name != "gain"]
    twice = [Term(one.name, math.sqrt(2) * one.standard, f"{one.source}, twice") for one in each]
    terms = (*_gain(change_v, chain), *twice)
    return Budget(change_v, "V", terms, 0.0, _unknown(chain, "gain", "noise"))


def flicker_budget(pst: float) -> Budget:
    """Pst over ten minutes. It is relative to the mean voltage, so that the gain cancels."""
    term = Term("method", pst * FLICKER_METHOD_PCT / 100 * RECTANGULAR, "IEC 61000-4-15, table 5")
    return Budget(pst, "Pst", (term,))


def unbalance_budget(u2_pct: float, rms_v: float, chains: Sequence[Chain]) -> Budget:
    """Negative sequence in % of the positive one, of three phases near `rms_v`.

    What is left of the gains' errors, each taken for itself: of one meter's, common to all three,
    nothing would be. One degree between two sensors makes 1.2 % more and cannot be known from here.

    :param chains: of the three lines, in order.
    """
    gain_pct = _unequal_gains_pct([(chain.gain_pct or 0.0) / COVERAGE for chain in chains])
    noises = [
        100 * chain.sample_noise_v(rms_v) / rms_v / math.sqrt(INTERVAL_S * chain.sample_rate_hz)
        for chain in chains
    ]
    noise_pct = math.hypot(*noises) / 3
    terms = (
        Term("gains", gain_pct, "calibration, k = 2, in the worst direction"),
        Term("noise", noise_pct, "of three phasors over one basic interval"),
        Term("method", UNBALANCE_METHOD_PCT * RECTANGULAR, "tools.accuracy, rows U"),
    )
    # An error across the true value's direction always makes it longer.
    across = gain_pct**2 + noise_pct**2
    extra_pct = u2_pct - math.sqrt(max(u2_pct**2 - across, 0.0))
    missing = [name for chain in chains for name in _unknown(chain, "gain", "noise")]
    unknown = (*dict.fromkeys(missing), NO_ANGLE)
    return Budget(u2_pct, "%", terms, extra_pct, unknown)


def _unequal_gains_pct(gains_pct: Sequence[float]) -> float:
    """Negative sequence from three independent errors of gain (k = 1), in the worst direction.

    An error e of phase k adds a third of e, turned by k times 120 degrees; its share in direction t
    is e / 3 cos(t - 120 k). Squared and added up, half of it does not depend on t.
    """
    squares = [(gain / 3) ** 2 for gain in gains_pct]
    swing = abs(sum(one * cmath.exp(4j * math.pi * k / 3) for k, one in enumerate(squares)))
    return math.sqrt((math.fsum(squares) + swing) / 2)


def _gain(value: float, chain: Chain) -> list[Term]:
    if chain.gain_pct is None:
        return []
    standard = abs(value) * chain.gain_pct / 100 / COVERAGE
    return [Term("gain", standard, "calibration, k = 2")]


def _unknown(chain: Chain, *needed: str) -> tuple[str, ...]:
    missing = {
        "gain": (chain.gain_pct is None, NO_GAIN),
        "noise": (chain.noise_v is None, NO_NOISE),
        "clock": (chain.clock_ppm is None, NO_CLOCK),
    }
    return tuple(text for is_missing, text in (missing[name] for name in needed) if is_missing)


def duration_budget(duration_s: float, chain: Chain, ends_within_s: float | None = None) -> Budget:
    """Duration of a dip, swell or interruption.

    :param ends_within_s: how well each end is known where it was found in the waveform itself;
        None: from the half-cycle grid.
    """
    if ends_within_s is None:
        # IEC 61000-4-30: half a cycle at each end, one cycle in all; as the expanded uncertainty.
        ends = Term(
            "half-cycle grid",
            1 / chain.frequency_hz / COVERAGE,
            "IEC 61000-4-30, half a cycle at each end (from memory)",
        )
    else:
        each_s = math.hypot(ends_within_s, 1 / chain.sample_rate_hz / 2) * RECTANGULAR
        ends = Term("ends in the waveform", math.sqrt(2) * each_s, "both ends, and half a sample")
    terms = [ends, *_clock(duration_s, chain)]
    return Budget(duration_s, "s", tuple(terms), 0.0, _unknown(chain, "clock"))


def _clock(value: float, chain: Chain) -> list[Term]:
    if chain.clock_ppm is None:
        return []
    return [Term("clock", value * chain.clock_ppm * 1e-6 * RECTANGULAR, "limit of its error")]


def frequency_budget(frequency_hz: float, rms_v: float, chain: Chain) -> Budget:
    """Frequency over ten seconds: whole cycles between two crossings."""
    n_samples = TRACKING_CYCLES * chain.sample_rate_hz / chain.frequency_hz
    phase_rad = (
        chain.sample_noise_v(rms_v) / rms_v * math.sqrt(HANN_NOISE_LINES / n_samples)
        if rms_v > 0
        else math.inf
    )
    edge_s = math.sqrt(2) * phase_rad / (2 * math.pi * chain.frequency_hz)
    terms = [
        Term("crossings", frequency_hz * edge_s / FREQUENCY_SLOT_S, "noise on the first and last"),
        Term("method", FREQUENCY_METHOD_HZ * RECTANGULAR, "tools.accuracy, rows F"),
        *_clock(frequency_hz, chain),
    ]
    return Budget(frequency_hz, "Hz", tuple(terms), 0.0, _unknown(chain, "noise", "clock"))


def thd_budget(thd_pct: float, fundamental_v: float, chain: Chain) -> Budget:
    """Distortion of one basic interval in % of the fundamental. The gain cancels.

    The front end is taken as one pole at its bandwidth, seen at order 25; what its flatness is in
    truth only a calibration over frequency can say.
    """
    n_samples = INTERVAL_S * chain.sample_rate_hz
    line_pct = 100 * chain.sample_noise_v(fundamental_v) * math.sqrt(2 / n_samples) / fundamental_v
    lost = 1 - 1 / math.hypot(1, HIGH_ORDER * chain.frequency_hz / chain.bandwidth_hz)
    floor_pct = line_pct * math.sqrt(SUBGROUP_LINES)
    terms = [
        Term("noise", line_pct / math.sqrt(2), "of the lines that carry the distortion"),
        Term("front end", thd_pct * lost * RECTANGULAR, "one pole, at order 25"),
        Term("method", THD_METHOD_PCT * RECTANGULAR, "leakage: tools.accuracy, rows H"),
    ]
    # 147 lines of noise add to the square of the distortion.
    extra_pct = thd_pct - math.sqrt(max(thd_pct**2 - floor_pct**2, 0.0))
    return Budget(thd_pct, "%", tuple(terms), extra_pct, _unknown(chain, "noise"))


def transient_budget(
    deviation_v: float, width_s: float, oscillation_hz: float | None, chain: Chain
) -> Budget:
    """Largest deviation of a transient. It reads low: its peak may lie between two samples."""
    loss = resolution(chain.sample_rate_hz).peak_loss_pct(width_s, oscillation_hz) / 100
    size_v = abs(deviation_v)
    lost_v = math.inf if loss >= 1 else size_v / (1 - loss) - size_v
    noise_v = math.sqrt(2) * chain.sample_noise_v(0.0)
    terms = [
        *_gain(deviation_v, chain),
        Term("resolution and noise", noise_v, "of the sample and of the cycle it is compared with"),
    ]
    return Budget(deviation_v, "V", tuple(terms), lost_v, _unknown(chain, "gain", "noise"))
