"""The waveform of a stored event as records that other programs read: COMTRADE and WAV."""

import math
import struct
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from daemon.archive import Archive, EventRow, RunRow
from daemon.comtrade_writer import Channel, Record
from daemon.errors import InputError
from daemon.records import Waveform
from daemon.schema import utc_seconds
from daemon.stored_settings import settings_of, table_of

DEVICE = "Halfcycle"
FULL_SCALE_STEP_V = 100.0
ROUNDING_SAMPLES = 1e-3  # a start on a sample is that sample, whatever seconds make of it
FULL_SCALE_COUNTS = 32768  # of 16 bits, as readers of WAV files count


def event_records(archive: Archive, event: EventRow) -> list[Record]:
    """One record for each unbroken stretch of samples that was kept; none where none was.

    The trigger is the start of the event, or its end in a record that does not hold the start.
    """
    run = next(run for run in archive.runs() if run.id == event.run_id)
    return [_record(archive, event, run, waveform) for waveform in archive.waveforms(event.id)]


def event_file_stem(event: EventRow, part: int = 0) -> str:
    """A file name without its ending. Names sort by the time of the event."""
    when = datetime.fromtimestamp(utc_seconds(event.start_utc), UTC)
    stamp = f"{when:%Y%m%dT%H%M%S}.{when.microsecond // 1000:03d}Z"
    channel = "".join(letter if letter.isalnum() else "-" for letter in event.channel[:40])
    more = f"_part{part + 1}" if part else ""
    return f"{stamp}_event{event.id:06d}_{event.kind.value}_{channel}{more}"


def wav_full_scale_v(waveform: Waveform) -> float:
    """Volts at digital full scale: the next whole 100 V above the peak."""
    peak_v = float(np.max(np.abs(waveform.volts), initial=0.0))
    return FULL_SCALE_STEP_V * (math.floor(peak_v / FULL_SCALE_STEP_V) + 1)


def wav_bytes(waveform: Waveform) -> bytes:
    """A mono WAV file of 16 bits; its comment says the volts at full scale.

    Chunks as in the RIFF/WAVE specification; the rate is rounded to whole Hz.
    """
    full_scale_v = wav_full_scale_v(waveform)
    counts = np.rint(waveform.volts.astype(np.float64) * (FULL_SCALE_COUNTS / full_scale_v))
    samples = np.minimum(counts, FULL_SCALE_COUNTS - 1).astype("<i2").tobytes()
    rate = round(waveform.sample_rate_hz)
    layout = struct.pack("<HHIIHH", 1, 1, rate, 2 * rate, 2, 16)
    comment = f"mains voltage, full scale is {full_scale_v:g} V"
    chunks = _chunk(b"fmt ", layout) + _chunk(b"data", samples)
    chunks += _chunk(b"LIST", b"INFO" + _chunk(b"ICMT", comment.encode() + b"\0"))
    return b"RIFF" + struct.pack("<I", 4 + len(chunks)) + b"WAVE" + chunks


def _chunk(name: bytes, content: bytes) -> bytes:
    return name + struct.pack("<I", len(content)) + content + b"\0" * (len(content) % 2)


def _record(archive: Archive, event: EventRow, run: RunRow, waveform: Waveform) -> Record:
    settings = settings_of(archive, run.settings_id)
    site, supply = table_of(settings, "site"), table_of(settings, "supply")
    start_utc_s = utc_seconds(event.start_utc)
    first_s = waveform.first_index / waveform.sample_rate_hz
    trigger_s = _trigger_s(event, waveform)
    index = waveform.first_index + np.arange(len(waveform.volts)) + ROUNDING_SAMPLES
    end_s = math.inf if event.duration_s is None else event.start_s + event.duration_s
    channel = Channel(event.channel, str(site.get("circuit", "")), waveform.volts)
    return Record(
        station=str(site.get("name", "")),
        device=DEVICE,
        channels=(channel,),
        is_event=(index >= event.start_s * waveform.sample_rate_hz)
        & (index < end_s * waveform.sample_rate_hz),
        sample_rate_hz=waveform.sample_rate_hz,
        frequency_hz=_usable_hz(supply.get("frequency_hz")),
        trigger_utc_s=start_utc_s + (trigger_s - event.start_s),
        trigger_after_s=trigger_s - first_s,
        local_offset_s=_offset_s(event),
        clock=event.clock,
        remark=_remark(event, trigger_s),
    )


def _usable_hz(value: object) -> float:
    return float(value) if isinstance(value, int | float) and 1 <= value <= 1000 else 50.0


def _trigger_s(event: EventRow, waveform: Waveform) -> float:
    """The start of the event, else its end, else the first sample; in seconds of the run."""
    first_s = waveform.first_index / waveform.sample_rate_hz
    last_s = first_s + (len(waveform.volts) - 1) / waveform.sample_rate_hz
    wanted = [event.start_s]
    if event.duration_s is not None:
        wanted.append(event.start_s + event.duration_s)
    return next((instant for instant in wanted if first_s <= instant <= last_s), first_s)


def _offset_s(event: EventRow) -> float:
    """Local time minus UTC, from the end of the local stamp: `+01:00`."""
    local = datetime.strptime(event.start_local, "%Y-%m-%d %H:%M:%S.%f %z")
    offset = local.utcoffset()
    return 0.0 if offset is None else offset.total_seconds()


def _remark(event: EventRow, trigger_s: float) -> str:
    what = "start" if trigger_s == event.start_s else "end or first sample kept"
    lasted = "unknown" if event.duration_s is None else f"{event.duration_s:.4f} s"
    return (
        f"Event {event.id}: {event.kind.value.replace('_', ' ')} on {event.channel}\n"
        f"Start (UTC): {event.start_utc}\nDuration: {lasted}\n"
        f"Value: {event.value:.2f} {event.unit}\nTrigger: the event's {what}\n"
        f"Clock: {event.clock}{_first_words(event)}"
    )


def _first_words(event: EventRow) -> str:
    first = event.first
    if first is None or first.start_utc is None:
        return ""
    return f"\nThe start was corrected; as first given (UTC): {first.start_utc}"


def write_file(path: Path, content: bytes) -> None:
    """Write one file for the user.

    :raises InputError: it cannot be written there.
    """
    try:
        path.write_bytes(content)
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}") from error
