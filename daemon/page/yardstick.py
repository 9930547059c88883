"""The profile that events are compared with, kept between requests: reading one takes a while."""

from collections.abc import Sequence

from daemon.archive import EventRow
from daemon.errors import InputError
from daemon.page.duration_chart import Curve
from daemon.profiles import find_profile, user_profile_dir
from daemon.status import Snapshot
from daemon.tolerance import Profile

USUAL_V, USUAL_HZ = 230.0, 50.0  # without a snapshot nothing says which supply it is


class Yardsticks:
    """Finds profiles by name; the last one found stays."""

    def __init__(self) -> None:
        self._last: tuple[str, Profile | None] = ("", None)

    def of(self, snapshot: Snapshot | None, rows: Sequence[EventRow]) -> Curve:
        """The profile of the supply, else the one of these events."""
        if snapshot is not None:
            supply = snapshot.supply
            return Curve(self._find(supply.profile), supply.nominal_v, supply.frequency_hz)
        name = rows[0].profile if rows else ""
        return Curve(self._find(name), USUAL_V, USUAL_HZ)

    def _find(self, name: str) -> Profile | None:
        if name and name != self._last[0]:
            self._last = (name, _found(name))
        return self._last[1] if name else None


def _found(name: str) -> Profile | None:
    try:
        return find_profile(name, user_profile_dir())
    except (InputError, OSError):
        return None
