"""Numbers events within a run and says which of them happened together."""

from dataclasses import dataclass, replace

# An event of another line may be entered that much later: lines are measured one after another,
# frame by frame, and the frames of a slow recording are 30 s long. A slack is a cycle.
KEPT_SLACKS = 6000


@dataclass(frozen=True, slots=True)
class _Member:
    number: int
    group: int
    channel: str
    start_index: float
    end_index: float | None


class Numbering:
    """One for all channels. Events on different channels that overlap in time share a group."""

    def __init__(self) -> None:
        self._n_given = 0
        self._members: list[_Member] = []

    def enter(
        self, channel: str, start_index: float, end_index: float | None, slack: float
    ) -> tuple[int, int]:
        """Number and group of a new event; `slack` samples apart still counts as together."""
        self._n_given += 1
        group = self._n_given
        for member in self._members:
            ends = float("inf") if member.end_index is None else member.end_index
            my_end = float("inf") if end_index is None else end_index
            is_together = start_index <= ends + slack and member.start_index <= my_end + slack
            if member.channel != channel and is_together:
                group = member.group
                break
        self._members = [
            member
            for member in self._members
            if member.end_index is None or member.end_index > start_index - KEPT_SLACKS * slack
        ]
        self._members.append(_Member(self._n_given, group, channel, start_index, end_index))
        return self._n_given, group

    def enter_alone(self) -> tuple[int, int]:
        """Number and group of an event that is about all channels: it gathers no others."""
        self._n_given += 1
        return self._n_given, self._n_given

    def end(self, number: int, end_index: float) -> None:
        """The event is over."""
        self._members = [
            replace(member, end_index=end_index) if member.number == number else member
            for member in self._members
        ]
