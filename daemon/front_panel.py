"""Light, buttons and power-fail line beside the monitor: a fault of theirs never ends measuring."""

from daemon.indicators import Actions, Board, Indicators, WatchState

POLL_S = 0.1
TRY_AGAIN_S = 60.0  # after a fault of the board


class FrontPanel:
    """The configured lines, looked at a few times a second; without any, nothing ever happens."""

    def __init__(self, board: Board | None) -> None:
        self._board = board
        self._indicators = Indicators()
        self._next_s = 0.0

    def is_due(self, now_s: float) -> bool:
        """Whether it is time to look again."""
        return self._board is not None and now_s >= self._next_s

    def look(self, watch: WatchState, now_s: float) -> Actions:
        """Show how the watch goes; what the monitor is to do.

        :raises SourceFailed: the board cannot be reached now; it is tried again a minute later.
        """
        assert self._board is not None
        self._next_s = now_s + TRY_AGAIN_S
        actions = self._indicators.step(self._board.poll(), watch)
        self._board.show(actions.light)
        self._next_s = now_s + POLL_S
        return actions

    def close(self) -> None:
        """Let go of the lines. Harmless the second time."""
        if self._board is not None:
            self._board.close()
            self._board = None
