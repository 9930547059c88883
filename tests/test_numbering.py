"""Numbers of events and the groups of those that happened together."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.numbering import Numbering


def test_numbers_count_from_one() -> None:
    numbering = Numbering()
    assert [numbering.enter("L1", 1000.0 * n, 1000.0 * n + 1, 10)[0] for n in range(4)] == [
        1, 2, 3, 4,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("first", "second", "together"),
    [
        ((100, 200), (150, 250), True),
        ((100, 200), (210, 250), True),  # exactly the slack apart
        ((100, 200), (211, 250), False),
        ((100, None), (9000, 9100), True),  # the first one lasts
        ((100, 200), (120, 130), True),  # wholly inside
        ((500, 600), (100, 490), True),  # told later, happened before
        ((500, 600), (100, 489), False),
    ],
)
def test_overlap_makes_a_group(
    first: tuple[float, float | None], second: tuple[float, float | None], together: bool
) -> None:
    numbering = Numbering()
    number, group = numbering.enter("L1", *first, 10)
    _, other = numbering.enter("L2", *second, 10)
    assert group == number
    assert (other == group) == together


def test_one_channel_never_groups_with_itself() -> None:
    numbering = Numbering()
    groups = [numbering.enter("L1", 100.0, 200.0, 10)[1] for _ in range(3)]
    assert groups == [1, 2, 3]


def test_an_ended_event_no_longer_gathers_others() -> None:
    numbering = Numbering()
    number, group = numbering.enter("L1", 100.0, None, 10)
    assert numbering.enter("L2", 500.0, 600.0, 10)[1] == group
    numbering.end(number, 700.0)
    assert numbering.enter("L2", 705.0, 706.0, 10)[1] == group
    assert numbering.enter("L2", 900.0, 901.0, 10)[1] != group


def test_three_channels_share_one_group() -> None:
    numbering = Numbering()
    groups = {numbering.enter(name, 100.0, 200.0, 10)[1] for name in ("L1", "L2", "L3")}
    assert groups == {1}


@given(starts=st.lists(st.integers(0, 100), min_size=1, max_size=30))
def test_events_far_apart_never_share(starts: list[int]) -> None:
    numbering = Numbering()
    groups = [
        numbering.enter(f"L{n % 3}", 1000.0 * start, 1000.0 * start + 1, 10)[1]
        for n, start in enumerate(sorted(set(starts)))
    ]
    assert len(set(groups)) == len(groups)


def test_lines_measured_one_after_another_in_long_frames_still_meet() -> None:
    """Of a recording L1 is measured ten seconds ahead before L2 is measured at all."""
    numbering, cycle = Numbering(), 80
    first, _ = numbering.enter("L1", 1000.0, 2000.0, cycle)
    numbering.enter("L1", 1000.0 + 500 * cycle, 2000.0 + 500 * cycle, cycle)
    assert numbering.enter("L2", 1010.0, 2010.0, cycle)[1] == first
    assert numbering.enter("L3", 1020.0, 2020.0, cycle)[1] == first
