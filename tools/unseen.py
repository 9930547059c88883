"""What the capture thresholds could not have seen of a profile's limits."""

from itertools import pairwise

from daemon.judge import steps_of
from daemon.page.words import duration_words
from daemon.records import Kind
from daemon.staircase import Step
from daemon.tolerance import ImmunityProfile, Limits, SupplyProfile
from tools.verdicts import Supply


def unseen(profile: Limits, supply: Supply) -> list[str]:
    """Limits tighter than the thresholds in use then: what lies between the two was not kept."""
    found = []
    for kind, captured_pct in ((Kind.DIP, supply.dip_pct), (Kind.SWELL, supply.swell_pct)):
        steps = steps_of(profile, kind, supply.nominal_v, supply.frequency_hz)
        if steps and captured_pct is None:
            found.append(
                f"{kind.capitalize()}s were not captured: its limits for them say nothing."
            )
        elif steps and captured_pct is not None:
            found += _lost(kind, captured_pct, steps)
    if isinstance(profile, ImmunityProfile) and profile.peak and supply.transient_pct is None:
        found.append("Transients were not captured: its peak limits could not be tested.")
    return [*found, *_lost_quantities(profile, supply)]


def _lost(kind: Kind, captured_pct: float, steps: list[Step]) -> list[str]:
    is_over = kind is Kind.SWELL
    nearest_pct = steps[-1].level_pct
    if nearest_pct >= captured_pct if is_over else nearest_pct <= captured_pct:
        return []
    word = "above" if is_over else "below"
    lost = [_between(captured_pct, steps[0].level_pct, "of any length", is_over)]
    for step, nearer in pairwise(steps):
        farther_pct = (min if is_over else max)(captured_pct, step.level_pct)
        longer = f"longer than {duration_words(step.time_s)}" if step.time_s < 1e8 else ""
        lost.append(_between(farther_pct, nearer.level_pct, longer, is_over))
    regions = " and ".join(region for region in lost if region)
    return [
        f"Its limit is {nearest_pct:.4g} %, but {kind}s were captured only {word} "
        f"{captured_pct:.4g} %: what lay between the two could not have been seen "
        f"({kind}s to {regions})."
    ]


def _between(farther_pct: float, nearer_pct: float, longer: str, is_over: bool) -> str:
    """A region that was lost; empty where there is none."""
    is_lost = nearer_pct < farther_pct if is_over else nearer_pct > farther_pct
    if not (is_lost and longer):
        return ""
    low, high = sorted((farther_pct, nearer_pct))
    return f"{low:.4g} to {high:.4g} %, {longer}"


def _lost_quantities(profile: Limits, supply: Supply) -> list[str]:
    if not isinstance(profile, SupplyProfile):
        return []
    limits: list[tuple[str, float, float | None]] = []
    if profile.distortion and profile.distortion.thd_pct:
        limits.append(("distortion", profile.distortion.thd_pct, supply.distortion_pct))
    if profile.frequency:
        allowed, nominal_hz = profile.frequency, supply.frequency_hz
        nearest_hz = min(nominal_hz - allowed.down_to_hz, allowed.up_to_hz - nominal_hz)
        limits.append(("frequency", 100 * nearest_hz / nominal_hz, supply.frequency_pct))
    found = []
    for noun, limit_pct, captured_pct in limits:
        if captured_pct is None:
            found.append(f"{noun.capitalize()} was not captured: its limit could not be tested.")
        elif captured_pct > limit_pct:
            found.append(
                f"Its limit of {noun} is {limit_pct:.4g} %, but only what was beyond "
                f"{captured_pct:.4g} % was captured: between the two nothing could have been seen."
            )
    return found
