"""Disturbances of the supply as a whole, from the events of its lines."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daemon.archive import EventFilter, EventRow, open_archive
from daemon.groups import Group, join_rows, line_names
from daemon.measure.unbalance import DipFamily
from daemon.records import EventDetail, Kind
from daemon.store import Store
from tests.database_material import dip, judged, run_info
from tests.signals import Floats, Ran, envelope, instants, make_setup, run, supply_wave

RATE_HZ = 8000
LINES = ("L1", "L2", "L3")


@pytest.fixture(name="template", scope="module")
def make_template(tmp_path_factory: pytest.TempPathFactory) -> EventRow:
    path = tmp_path_factory.mktemp("groups") / "events.db"
    store = Store(path, "UTC")
    store.add(store.begin_run(run_info()), [judged(dip())], [])
    store.close()
    (row,) = open_archive(path).events(EventFilter())
    return row


def rows_of(ran: Ran, template: EventRow) -> list[EventRow]:
    """What the pipeline found, as the database gives it back."""
    return [
        replace(
            template,
            kind=event.kind,
            channel=event.channel,
            group=event.group,
            start_s=event.start_s,
            duration_s=event.duration_s,
            value=event.value,
            value_pct=event.value_pct,
            detail=event.detail,
        )
        for event in ran.events
    ]


def three(duration_s: float, *steps: list[tuple[float, float, float]]) -> Floats:
    time_s = instants(RATE_HZ, duration_s)
    return np.stack(
        [
            supply_wave(50 * time_s - phase / 3, 230) * envelope(time_s, own)
            for phase, own in enumerate(steps)
        ],
        axis=1,
    )


def found(template: EventRow, *steps: list[tuple[float, float, float]]) -> list[Group]:
    ran = run(three(4, *steps), make_setup(RATE_HZ, channels=LINES))
    return join_rows(rows_of(ran, template), LINES, is_three_phase=True)


def test_overlapping_dips_of_two_phases_are_one(template: EventRow) -> None:
    # D7: L1 for 100 ms, L2 from 60 ms to 200 ms after the same instant, L3 not at all.
    (group,) = found(template, [(2, 2.1, 0.7)], [(2.06, 2.2, 0.5)], [])
    assert (group.kind, group.channels, group.worst_channel) == (Kind.DIP, ("L1", "L2"), "L2")
    assert group.start_s == pytest.approx(2, abs=0.02)  # class A: one cycle
    assert group.duration_s == pytest.approx(0.2, abs=0.02)
    assert group.value_pct == pytest.approx(50, abs=0.2)
    assert group.family is None  # L3 may lie anywhere from 85 to 110 %: one phase most, or two


def test_an_interruption_needs_all_lines(template: EventRow) -> None:
    # D8: L1 and L2 gone, L3 at 50 %: a dip, no interruption.
    (group,) = found(template, *([(2.0, 2.3, level)] for level in (0.0, 0.0, 0.5)))
    assert group.kind is Kind.DIP
    assert group.channels == LINES
    assert group.value_pct == pytest.approx(0, abs=0.2)


def test_an_interruption_of_all_lines_is_reported_as_both(template: EventRow) -> None:
    # All below 5 % from 2.2 s, when the last one goes, until the first is back at 2.6 s.
    first, *others = [(2.0, 2.6, 0.0)], [(2.1, 2.8, 0.0)], [(2.0, 2.2, 0.4), (2.2, 2.9, 0.0)]
    dip_of_all, interruption = found(template, first, *others)
    assert [dip_of_all.kind, interruption.kind] == [Kind.DIP, Kind.INTERRUPTION]
    for group, start_s, end_s in ((dip_of_all, 2.0, 2.9), (interruption, 2.2, 2.6)):
        assert group.start_s == pytest.approx(start_s, abs=0.02)
        assert group.end_s == pytest.approx(end_s, abs=0.02)


def test_without_its_own_times_an_interruption_takes_those_of_the_dip(template: EventRow) -> None:
    rows = [
        replace(template, kind=Kind.INTERRUPTION, channel=name, start_s=at_s, duration_s=1.0)
        for name, at_s in (("L1", 5.0), ("L2", 5.1))
    ]
    _, interruption = join_rows(rows, ("L1", "L2"))
    assert (interruption.start_s, interruption.end_s) == (5.1, 6.0)


def test_dip_and_swell_of_one_fault_are_two(template: EventRow) -> None:
    # One phase to earth lifts the others.
    groups = found(template, [(2, 2.4, 0.2)], [(2, 2.4, 1.25)], [(2, 2.41, 1.2)])
    by_kind = {group.kind: group for group in groups}
    assert set(by_kind) == {Kind.DIP, Kind.SWELL}
    assert by_kind[Kind.SWELL].channels == ("L2", "L3")
    assert by_kind[Kind.SWELL].value_pct == pytest.approx(125, abs=0.2)
    assert by_kind[Kind.DIP].channels == ("L1",)


def test_what_two_sound_lines_leave_open_is_left_open(template: EventRow) -> None:
    row = replace(template, value=115.0, value_pct=50.0)
    (deep,) = join_rows([row], LINES, is_three_phase=True)
    assert deep.family is DipFamily.ONE_PHASE
    # 80 %: the others may lie at 86 and 110 %.
    (shallow,) = join_rows([replace(row, value=184.0, value_pct=80.0)], LINES, is_three_phase=True)
    assert shallow.family is None
    assert join_rows([row], ("L1", "L2"))[0].family is None


def test_other_channels_and_kinds_do_not_count(template: EventRow) -> None:
    rows = [
        replace(template, channel="N-PE", kind=Kind.DIP),
        replace(template, kind=Kind.DISTORTION, channel="L1"),
    ]
    assert join_rows(rows, LINES) == []


def test_an_event_without_an_end_leaves_the_group_without_one(template: EventRow) -> None:
    rows = [replace(template, duration_s=None), replace(template, channel="L2", start_s=60.05)]
    (group,) = join_rows(rows, LINES)
    assert group.end_s is None
    assert "end not seen" in group.words()


def test_in_words() -> None:
    group = Group(Kind.DIP, 2.0, 2.2, "L2", 115.0, 50.0, ("L1", "L2"), DipFamily.TWO_PHASES, "C")
    assert group.words() == (
        "dip (sag) on L1, L2 for 0.20 s, L2 worst: 115.0 V, 50.0 %; two phases most, type C"
    )


def test_lines_are_told_from_other_channels() -> None:
    channels = [{"name": "L1", "kind": "line"}, {"name": "N-PE", "kind": "neutral_to_earth"}]
    assert line_names(("L1", "N-PE"), {"channels": channels}) == ["L1"]
    assert line_names(("L1", "L2"), {"channels": None}) == ["L1", "L2"]
    assert line_names(("L1",), {}) == ["L1"]


def test_interruption_times_survive_the_database(tmp_path: Path) -> None:
    detail = EventDetail(interruption_start_s=60.01, interruption_end_s=60.1, dip_type="A")
    store = Store(tmp_path / "events.db", "UTC")
    store.add(store.begin_run(run_info()), [judged(dip(detail=detail))], [])
    store.close()
    (row,) = open_archive(tmp_path / "events.db").events(EventFilter())
    assert row.detail == detail
