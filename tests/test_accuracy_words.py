"""How sure the figures are, in words."""

from dataclasses import replace
from typing import Any

import pytest

from daemon.accuracy_words import accuracy_remark, fine_duration, sure_duration, sure_value
from daemon.archive import EventRow
from daemon.records import EventDetail
from tests.database_material import event_row


def dip(**changes: Any) -> EventRow:
    return replace(event_row(value=161.24, duration_s=0.61), **changes)


def test_a_value_carries_its_uncertainty() -> None:
    assert sure_value(dip(uncertainty=0.93)) == "161.2 V ± 0.9 V"
    assert sure_value(dip(uncertainty=None)) == "161.2 V"
    assert sure_value(dip(value=1.2, unit="Pst", uncertainty=0.069)) == "Pst 1.20 ± 0.07"
    assert sure_value(dip(value=1.2, unit="Pst")) == "Pst 1.20"


@pytest.mark.parametrize(
    ("lasted_s", "words"),
    [(0.61, "0.610 s ± 0.020 s"), (90.0, "1 min 30 s ± 20 ms"), (None, "end not seen")],
)
def test_a_duration_carries_its_uncertainty(lasted_s: float | None, words: str) -> None:
    row = dip(duration_s=lasted_s, duration_uncertainty_s=0.02)
    assert sure_duration(row, None) == words


def test_the_waveforms_own_duration_has_its_own_uncertainty() -> None:
    detail = EventDetail(start_fine_s=1.0, end_fine_s=1.6, fine_uncertainty_s=0.0017)
    assert fine_duration(dip(detail=detail)) == "0.6000 s ± 0.0017 s"
    assert fine_duration(dip(detail=replace(detail, fine_uncertainty_s=None))) == "0.60 s"
    assert fine_duration(dip(detail=EventDetail(start_fine_s=1.0))) == ""


def test_what_is_left_out_is_said() -> None:
    without = EventDetail(uncertainty_without="gain (never calibrated)")
    assert accuracy_remark(dip()) == ""
    assert accuracy_remark(dip(uncertainty=0.9)).endswith("(k = 2)")
    assert accuracy_remark(dip(uncertainty=0.9, detail=without)).endswith(
        "(k = 2); without: gain (never calibrated)"
    )
    assert accuracy_remark(dip(detail=without)) == "± not known, without: gain (never calibrated)"
