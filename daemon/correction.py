"""Gives what is stored of a run better stamps, once the time is known better: some at a time.

Measuring waits for it, so that only so many rows are done in one go, the oldest first. A run that
breaks off amid that leaves the others with their first stamps, which say that they are free.
"""

from daemon.daily import DailyStatistics
from daemon.stamping import Stamper
from daemon.store import Store

ROWS = 500  # in one transaction
STEPS = 8  # in one go


class Correction:
    """What is still to be corrected."""

    def __init__(self, store: Store, stamper: Stamper, daily: DailyStatistics) -> None:
        self._store = store
        self._daily = daily
        self._stamper = stamper
        self._left: list[tuple[str, int]] = []  # tables, and the id after which to go on
        self._started_index = 0.0
        self._unseen_since_s: float | None = None
        self._are_days_due = False

    @property
    def is_under_way(self) -> bool:
        """Whether there is anything left."""
        return bool(self._left)

    def begin(self, started_index: float, unseen_since_s: float | None) -> None:
        """Everything of this run, from its beginning.

        :param started_index: the sample at which the run began.
        :param unseen_since_s: end of the run before, seconds since 1970 UTC.
        """
        self._started_index = started_index
        self._unseen_since_s = unseen_since_s
        self._left = [("run", 0), ("event", 0), ("log", 0)]
        self._are_days_due = True

    def go_on(self) -> None:
        """The next rows.

        :raises StoreError: the database cannot be written; the same rows are next again.
        """
        for _ in range(STEPS):
            if not self._left:
                return
            table, after_id = self._left[0]
            if table == "run":
                self._correct_run()
                self._left = self._left[1:]
                continue
            rows = self._store.stamped_rows(table, after_id, ROWS)
            if rows:
                self._store.restamp(table, self._stamper.new_stamps(rows))
            rest = [(table, rows[-1].id)] if len(rows) == ROWS else []
            self._left = rest + self._left[1:]

    def rename_days(self) -> bool:
        """Give days of the statistics their right dates; whether that changed any.

        :raises StoreError: the database cannot be written; nothing has changed then.
        """
        if not self._are_days_due:
            return False
        names = self._daily.right_dates(self._stamper.times, self._store.days())
        if names:
            self._store.rename_days(names)
            self._daily.rename(names)
        self._are_days_due = False
        return bool(names)

    def _correct_run(self) -> None:
        started_s = self._stamper.times.utc_s(self._started_index)
        since_s = self._unseen_since_s
        clock = self._stamper.times.state_at(self._started_index)
        unseen_s = None if since_s is None else started_s - since_s
        self._store.restamp_run(started_s, clock, unseen_s)
