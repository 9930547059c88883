"""Records as rows: what goes into the columns of `event`, `log`, `trace` and `waveform`."""

import json
import sqlite3
from collections.abc import Sequence
from dataclasses import fields
from datetime import tzinfo

import numpy as np

from daemon import schema
from daemon.records import Event, EventDetail, FirstStamp, JudgedEvent, LogEntry, Trace, Waveform

PUT_LOG = (
    "INSERT INTO log (run_id, kind, start_utc, start_local, start_s, duration_s, text, as_stored) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
)
PUT_WAVEFORM = (
    "INSERT OR REPLACE INTO waveform "
    "(event_id, part, first_index, sample_rate_hz, scale_v, samples) VALUES (?, 0, ?, ?, ?, ?)"
)


def event_row(run_id: int, judged: JudgedEvent, zone: tzinfo) -> dict[str, object]:
    """One row of `event`, by column."""
    # numpy scalars end here: SQLite would take some of them for blobs
    event = judged.event
    return {
        "run_id": run_id,
        "number": int(event.number),
        "kind": event.kind.value,
        "channel": str(event.channel),
        "group": int(event.group),
        "start_utc": schema.utc_text(judged.start_utc_s),
        "end_utc": _end_utc(judged.start_utc_s, event),
        "start_local": schema.local_text(judged.start_utc_s, zone),
        "start_s": float(event.start_s),
        "duration_s": _float_or_none(event.duration_s),
        "value": float(event.value),
        "unit": str(event.unit),
        "value_pct": float(event.value_pct),
        "threshold": float(event.threshold),
        "extreme_s": float(event.extreme_s),
        "below_interruption_s": _float_or_none(event.below_interruption_s),
        "level_times": _level_times(event),
        "verdict": judged.judgement.verdict.value if judged.judgement.verdict else None,
        "limit": judged.judgement.limit,
        "profile": judged.judgement.profile,
        "complete": int(bool(event.complete)),
        "clock": str(judged.clock),
        "flags": json.dumps([str(flag) for flag in event.flags]),
        "category": judged.category,
        "cell": judged.cell,
        "margin_pct": _float_or_none(judged.judgement.margin_pct),
        "margin_s": _float_or_none(judged.judgement.margin_s),
        "severity": _float_or_none(judged.judgement.severity),
        "uncertainty": _float_or_none(judged.uncertainty),
        "duration_uncertainty_s": _float_or_none(judged.duration_uncertainty_s),
        "cause": judged.cause,
        "evidence": judged.evidence,
        "detail": _detail(event.detail),
        "as_stored": None if judged.first is None else json.dumps(_first(judged, zone)),
    }


def log_row(run_id: int, entry: LogEntry, zone: tzinfo) -> tuple[object, ...]:
    """One row of `log`, for `PUT_LOG`."""
    return (
        run_id,
        entry.kind.value,
        schema.utc_text(entry.start_utc_s),
        schema.local_text(entry.start_utc_s, zone),
        _float_or_none(entry.start_s),
        _float_or_none(entry.duration_s),
        str(entry.text),
        None if entry.first is None else json.dumps(_first_of_log(entry.first, zone)),
    )


def put_event(row: dict[str, object]) -> str:
    """The statement that adds an event or renews its row, and gives its id."""
    quoted = [f'"{name}"' for name in row]
    return (
        f"INSERT INTO event ({', '.join(quoted)}) VALUES (:{', :'.join(row)}) "
        "ON CONFLICT (run_id, number) DO UPDATE SET "
        f"{', '.join(f'{name} = excluded.{name}' for name in quoted)} RETURNING id"
    )


def put_trace(connection: sqlite3.Connection, event_id: int, trace: Trace | None) -> None:
    """Keep the trace of an event in place of the one before."""
    if trace is None:
        return
    connection.execute(
        "INSERT OR REPLACE INTO trace (event_id, start_s, urms) VALUES (?, ?, ?)",
        (event_id, *schema.pack_trace(trace)),
    )


def put_waveforms(
    connection: sqlite3.Connection, event_id: int, waveforms: Sequence[Waveform]
) -> None:
    """Keep waveforms; one with the same first sample is replaced."""
    for waveform in waveforms:
        scale_v, samples = schema.pack_waveform(waveform)
        connection.execute(
            PUT_WAVEFORM,
            (
                event_id,
                int(waveform.first_index),
                float(waveform.sample_rate_hz),
                scale_v,
                samples,
            ),
        )
    if waveforms:
        number_waveforms(connection, event_id)


def number_waveforms(connection: sqlite3.Connection, event_id: int) -> None:
    """Number the waveforms of an event in the order of time."""
    connection.execute(
        "UPDATE waveform SET part = (SELECT count(*) FROM waveform AS earlier WHERE "
        "earlier.event_id = ?1 AND earlier.first_index < waveform.first_index) "
        "WHERE event_id = ?1",
        (event_id,),
    )


def _first(judged: JudgedEvent, zone: tzinfo) -> dict[str, str | None]:
    """The stamps of an event as they would have been without a correction."""
    first = judged.first
    assert first is not None
    return {
        "start_utc": schema.utc_text(first.utc_s),
        "end_utc": _end_utc(first.utc_s, judged.event),
        "start_local": schema.local_text(first.utc_s, zone),
        "clock": first.clock,
    }


def _first_of_log(first: FirstStamp, zone: tzinfo) -> dict[str, str]:
    return {
        "start_utc": schema.utc_text(first.utc_s),
        "start_local": schema.local_text(first.utc_s, zone),
    }


def _end_utc(start_utc_s: float, event: Event) -> str | None:
    if event.duration_s is None:
        return None
    return schema.utc_text(start_utc_s + float(event.duration_s))


def _detail(detail: EventDetail) -> str | None:
    """What is known, as JSON; None when nothing is, so that no row grows for nothing."""
    known = {
        field.name: _plain(getattr(detail, field.name))
        for field in fields(detail)
        if getattr(detail, field.name) is not None
    }
    return json.dumps(known) if known else None


def _plain(value: float | bool | str) -> float | int | bool | str:
    """numpy scalars end here, too."""
    if isinstance(value, str):
        return str(value)
    if isinstance(value, bool | np.bool_):
        return bool(value)
    return int(value) if isinstance(value, int | np.integer) else float(value)


def _level_times(event: Event) -> str:
    pairs = [[float(time.level_pct), float(time.longest_s)] for time in event.level_times]
    return json.dumps(pairs, allow_nan=False)


def _float_or_none(value: float | None) -> float | None:
    return None if value is None else float(value)
