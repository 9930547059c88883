"""Counts a converter's conversions by the edges of its data-ready line."""

from drivers.clock import Clock
from drivers.errors import SourceFailed
from drivers.gpio_line import Edge, EdgeLine

LOST_READY_S = 0.5
ANCHOR_S = 1.0
OFF_RATE_EDGES = 8  # two crystals part by less than one edge in a second, even at 8 kS/s
_WRAP = (1 << 32) - 1  # the kernel numbers edges with 32 bits: 12 days at 4 kS/s


class ReadyCounter:
    """Gives every conversion its index, the ones nobody read included."""

    def __init__(self, line: EdgeLine, clock: Clock, rate_hz: float) -> None:
        self._line = line
        self._clock = clock
        self._rate_hz = rate_hz
        self._number: int | None = None  # the kernel's, of the newest edge
        self._last_ns: int | None = None  # time of the newest edge
        self._anchor: tuple[int, int] | None = None  # (index, time) of an edge a while ago
        self._ahead = 0.0  # edges since the anchor, beyond what the time since then allows
        self._alive_ns = clock.monotonic_ns()
        self._recent: list[tuple[int, int]] = []  # (index, time) of edges since the last read
        self.index = -1  # of the newest conversion
        self._read_index = -1

    @property
    def n_unread(self) -> int:
        return self.index - self._read_index

    @property
    def is_off_rate(self) -> bool:
        """Whether the edges do not come at the rate that was set: the converter lost its set-up."""
        return abs(self._ahead) > OFF_RATE_EDGES

    def wait(self, timeout_s: float) -> bool:
        """Wait until a conversion is ready that has not been read.

        :raises SourceFailed: there was no edge for half a second.
        """
        if self.n_unread == 0:
            edge = self._line.wait(timeout_s)
            if edge is not None:
                self._note(edge)
        self.poll()
        now_ns = self._clock.monotonic_ns()
        if self.n_unread > 0:
            self._alive_ns = now_ns
        elif (now_ns - self._alive_ns) / 1e9 > LOST_READY_S:
            raise SourceFailed(f"the data-ready line was still for {LOST_READY_S:g} s")
        return self.n_unread > 0

    def poll(self) -> None:
        """Note the edges that have come, without waiting."""
        while (edge := self._line.wait(0.0)) is not None:
            self._note(edge)

    def n_unread_at(self, t_ns: int) -> int:
        """Conversions that were ready and not read at an instant."""
        before = [index for index, edge_ns in self._recent if edge_ns <= t_ns]
        return max(before, default=self._read_index) - self._read_index

    def has_edge_since(self, t_ns: int) -> bool:
        return self._last_ns is not None and self._last_ns > t_ns

    def check_rate(self, for_s: float) -> None:
        """Only count for a while; nothing is kept as unread.

        :raises SourceFailed: the edges do not come at the rate that was set.
        """
        end_ns = self._clock.monotonic_ns() + round(for_s * 1e9)
        while self._clock.monotonic_ns() < end_ns and not self.is_off_rate:
            self.wait(for_s)
            self.mark_read(self.index)
        if self.is_off_rate:
            raise SourceFailed(self.off_rate_words())

    def off_rate_words(self) -> str:
        """What is wrong with the rate, for people."""
        return (
            f"conversions come {'faster' if self._ahead > 0 else 'slower'} than the"
            f" {self._rate_hz:g} a second that were set: check the converter's clock"
        )

    def mark_read(self, index: int) -> None:
        """Everything up to `index` has been read, or given up."""
        self._read_index = index
        self._recent = [one for one in self._recent if one[0] > index]

    def restart(self) -> None:
        """The converter was set up anew: edges until now mean nothing, time goes on."""
        while self._line.wait(0.0) is not None:
            pass
        self._number = None
        self._ahead = 0.0
        self._alive_ns = self._clock.monotonic_ns()
        self.mark_read(self.index)

    def _note(self, edge: Edge) -> None:
        if self._number is not None:
            step = (edge.number - self._number) & _WRAP
        else:  # by time, from before whatever made the restart necessary
            step = max(round(self._expected(edge.t_ns)) - self.index, 1)
            self._anchor = None
        self.index += step
        self._number, self._last_ns = edge.number, edge.t_ns
        self._recent.append((self.index, edge.t_ns))
        if self._anchor is None:
            self._anchor = (self.index, edge.t_ns)
        self._ahead = self.index - self._expected(edge.t_ns)
        if (edge.t_ns - self._anchor[1]) / 1e9 > ANCHOR_S and not self.is_off_rate:
            self._anchor = (self.index, edge.t_ns)

    def _expected(self, t_ns: int) -> float:
        """Index at a time, from the anchor and the nominal rate."""
        if self._anchor is None:
            return self.index
        index, anchor_ns = self._anchor
        return index + (t_ns - anchor_ns) / 1e9 * self._rate_hz
