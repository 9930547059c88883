"""What was asked for and cannot be watched with this input, each with its reason."""

from daemon.plan import ChannelKind, PipelineSetup
from daemon.settings import Settings
from daemon.setup import pipeline_setup
from daemon.three_phase import is_three_phase
from drivers.source import SourceInfo


def unwatched(settings: Settings, info: SourceInfo, setup: PipelineSetup) -> list[str]:
    """Such as `distortion (the input passes up to 400 Hz only)`; empty where nothing is missing."""
    capture, found = settings.capture, []
    if capture.distortion_pct is not None and setup.slow_limits.distortion_pct is None:
        why = "taken at the program's own pace, the samples are not even enough"
        if info.jitter_s == 0:
            why = f"the input passes up to {info.bandwidth_hz:g} Hz only"
        found.append(f"distortion ({why})")
    if capture.transient_pct is not None and setup.transient_pct is None:
        found.append("transients (taken at the program's own pace, a late sample looks like one)")
    if capture.flicker_pst is not None and setup.lamp_v is None:
        found.append(f"flicker ({info.sample_rate_hz:g} samples a second are too few)")
    # By default it is watched for where it can be; only who asks for it has to hear.
    is_asked = "unbalance_pct" in capture.model_fields_set and capture.unbalance_pct is not None
    if is_asked and not is_three_phase(setup):
        found.append("unbalance (that needs supply.wiring three_phase and three lines)")
    kinds = {channel.kind for channel in setup.channels}
    if capture.neutral_earth_v is not None and ChannelKind.NEUTRAL_TO_EARTH not in kinds:
        found.append("neutral to earth (no channel is of kind neutral_to_earth)")
    return found


def unwatched_words(settings: Settings, info: SourceInfo, setup: PipelineSetup) -> str:
    """All of it as one part of a sentence, empty where nothing is missing."""
    found = unwatched(settings, info, setup)
    return f"not watched for: {', '.join(found)}" if found else ""


def started_words(settings: Settings, info: SourceInfo) -> str:
    """What the log says when a run begins, in one sentence."""
    missing = unwatched_words(settings, info, pipeline_setup(settings, info))
    begun = f"watching through driver {settings.driver.name}"
    return f"{begun}; {missing}" if missing else begun
