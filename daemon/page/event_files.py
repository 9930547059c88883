"""One event as files to take along: its curves as CSV, its samples as COMTRADE."""

import io
import zipfile
from datetime import UTC, datetime

from daemon.archive import Archive, EventRow
from daemon.comtrade_writer import DataType, Flavour, Revision, comtrade_files
from daemon.event_record import event_file_stem, event_records
from daemon.schema import utc_seconds

_FLAVOUR = Flavour(Revision.NEW, DataType.BINARY)
HEADINGS = "curve,seconds_from_start,volts"


def event_csv(archive: Archive, event: EventRow) -> tuple[str, bytes]:
    """Name and content: the rms trace, then every sample that was kept."""
    lines = [HEADINGS]
    trace = archive.trace(event.id)
    if trace is not None:
        points = zip(trace.start_s - event.start_s, trace.urms_v, strict=True)
        lines += [_line("rms", float(at_s), float(volts)) for at_s, volts in points]
    for waveform in archive.waveforms(event.id):
        first_s = waveform.first_index / waveform.sample_rate_hz - event.start_s
        lines += [
            _line("waveform", first_s + n / waveform.sample_rate_hz, float(volts))
            for n, volts in enumerate(waveform.volts)
        ]
    return f"{event_file_stem(event)}.csv", ("\n".join(lines) + "\n").encode()


def _line(curve: str, at_s: float, volts: float) -> str:
    return f"{curve},{at_s:.6f},{volts:.3f}"


def event_comtrade(archive: Archive, event: EventRow) -> tuple[str, bytes] | None:
    """Name and content of a ZIP with .cfg, .dat and .hdr of each record; None without samples."""
    records = event_records(archive, event)
    if not records:
        return None
    out = io.BytesIO()
    when = datetime.fromtimestamp(utc_seconds(event.start_utc), UTC)
    stamp = (when.year, when.month, when.day, when.hour, when.minute, when.second)
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive_file:
        for part, record in enumerate(records):
            stem, files = event_file_stem(event, part), comtrade_files(record, _FLAVOUR)
            for ending, content in (("cfg", files.cfg), ("dat", files.dat), ("hdr", files.hdr)):
                archive_file.writestr(zipfile.ZipInfo(f"{stem}.{ending}", stamp), content)
    return f"{event_file_stem(event)}_comtrade.zip", out.getvalue()
