"""How often something may be done: allowances that fill up again with time."""

from collections import OrderedDict

MOST_CLIENTS = 256


class Allowance:
    """So many at once, and then so many a second."""

    def __init__(self, at_once: float, per_s: float) -> None:
        self._at_once = at_once
        self._per_s = per_s
        self._left = at_once
        self._seen_s: float | None = None

    def wait_s(self, now_s: float, cost: float = 1.0) -> float:
        """Take `cost`, and 0; or take none, and how long to wait until there is so much."""
        if self._seen_s is not None:
            gained = max(now_s - self._seen_s, 0.0) * self._per_s
            self._left = min(self._at_once, self._left + gained)
        self._seen_s = now_s
        if self._left < cost:
            return (cost - self._left) / self._per_s
        self._left -= cost
        return 0.0


class Clients:
    """An allowance for each address, of the `MOST_CLIENTS` seen last."""

    def __init__(self, at_once: float, per_s: float) -> None:
        self._at_once = at_once
        self._per_s = per_s
        self._known: OrderedDict[str, Allowance] = OrderedDict()

    def wait_s(self, address: str, now_s: float, cost: float = 1.0) -> float:
        """As `Allowance.wait_s`, for this address."""
        found = self._known.pop(address, None) or Allowance(self._at_once, self._per_s)
        self._known[address] = found
        if len(self._known) > MOST_CLIENTS:
            self._known.popitem(last=False)
        return found.wait_s(now_s, cost)
