"""Whether the input is still heard of: what the service may tell its supervisor."""

from daemon.acquisition import DeviceFault, Fetched
from daemon.ring import LONGEST_WAIT_S

SILENT_S = 3.0  # without a sample: people are told that it waits for the device
SAMPLES_PATIENCE_S = 12.0  # the longest block of any input, and then some
RETRY_PATIENCE_S = LONGEST_WAIT_S + 15.0  # the longest pause between two attempts, and the attempt


class Vigil:
    """Remembers what was heard last: samples, or that the device is being opened again.

    A sampler that is alive and says nothing is not well, whatever the reason: its supervisor must
    be able to see that and start everything anew.
    """

    def __init__(self, now_s: float) -> None:
        self._heard_s = now_s
        self._is_retrying = False

    def hear(self, heard: Fetched | DeviceFault | None, now_s: float) -> None:
        """Take what a turn brought; None is silence."""
        if heard is not None:
            self._heard_s = now_s
            self._is_retrying = isinstance(heard, DeviceFault)

    def has_samples(self, now_s: float) -> bool:
        """Whether samples arrive."""
        return not self._is_retrying and now_s - self._heard_s <= SILENT_S

    def is_well(self, now_s: float) -> bool:
        """Whether samples arrive, or the device is being tried as often as it should be."""
        patience_s = RETRY_PATIENCE_S if self._is_retrying else SAMPLES_PATIENCE_S
        return now_s - self._heard_s <= patience_s
