"""The configuration of a COMTRADE record: what its data mean.

IEEE C37.111-1991, -1999 and -2013 (IEC 60255-24). The `comtrade` package parses the text; here it
is made even first, where revisions and writers differ, and turned into volts, rates and UTC.
"""

import io
import re
from dataclasses import dataclass
from datetime import MINYEAR, UTC
from math import inf, isfinite
from pathlib import Path

from comtrade import AnalogChannel, Cfg

from drivers.errors import OptionError

REVISIONS = ("1991", "1999", "2001", "2013")  # 2001 is IEC 60255-24, the text of 1999
MIN_SAMPLE_RATE_HZ = 600  # 10 samples a cycle at 60 Hz
RANGE = {"ASCII": 99999.0, "BINARY": 32767.0, "BINARY32": 2147483647.0, "FLOAT32": 3.4028235e38}
BITS = {"BINARY": 16, "BINARY32": 32, "FLOAT32": 24}
_VOLTS_PER_UNIT = {"v": 1.0, "kv": 1e3, "mv": 1e-3}
MAX_CHANNELS = 999_999
_STAMP = re.compile(
    r"^[ \t]*(\d{1,2})/(\d{1,2})/(\d{2,4})[ \t]*,[ \t]*(\d{1,2}:\d{2}:\d{1,2})(\.\d+)?",
    re.MULTILINE,
)
_ZONE = re.compile(r"([+-]?)(\d{1,2})(?:h(\d{1,2}))?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class VoltageChannel:
    """One analogue channel in volts: gain_v x stored value + offset_v."""

    name: str
    position: int  # among the analogue channels of a data record, from 0
    gain_v: float
    offset_v: float
    full_scale_v: float
    skew_us: float


@dataclass(frozen=True, slots=True)
class Layout:
    """What is needed to read the data."""

    revision: str
    data_type: str  # ASCII, BINARY, BINARY32, FLOAT32
    n_analogue: int
    n_status: int
    voltages: tuple[VoltageChannel, ...]
    bits: int
    sample_rate_hz: float  # 0: the time stamps give it
    n_samples: int
    stamp_s: float  # seconds for each count of a time stamp
    start_utc_s: float | None  # None: the record does not say


def read_layout(path: Path, text: str) -> Layout:
    """Parse a configuration.

    Values stay as stored, whether primary or secondary (PS = P or S): the ratios are not applied.
    Time stamps of 2013 are brought to UTC with their time_code; older revisions have none and are
    taken as UTC. Dates are day first, or month first in 1991 unless that makes no sense.

    :raises OptionError: the configuration is malformed, or describes what cannot be replayed.
    """
    revision, text = _even(path, text)
    cfg = _parse(path, text)
    data_type = cfg.ft.upper()
    if data_type not in RANGE:
        raise OptionError(
            f"driver.path: {path} has data of type {_short(cfg.ft)!r}, not {', '.join(RANGE)}"
        )
    voltages = _voltages(path, cfg, data_type)
    return Layout(
        revision=revision,
        data_type=data_type,
        n_analogue=cfg.analog_count,
        n_status=max(cfg.status_count, 0),
        voltages=voltages,
        bits=BITS.get(data_type) or _ascii_bits(cfg),
        sample_rate_hz=_sample_rate_hz(path, cfg),
        n_samples=_n_samples(path, cfg),
        stamp_s=cfg.time_base * cfg.timemult,
        start_utc_s=_start_utc_s(path, cfg, text),
    )


def check_rate(path: Path, sample_rate_hz: float) -> None:
    """:raises OptionError: the recording is too slow to measure a cycle."""
    if not MIN_SAMPLE_RATE_HZ <= sample_rate_hz < inf:
        raise OptionError(
            f"driver.path: {path} has {sample_rate_hz:g} samples/s; at least"
            f" {MIN_SAMPLE_RATE_HZ} are needed"
        )


def _even(path: Path, text: str) -> tuple[str, str]:
    """The revision, and the text as the parser expects it."""
    head, _, rest = text.lstrip("\ufeff").replace("\x1a", "").partition("\n")
    station, device, revision, *_ = [*(part.strip() for part in head.split(",")), "", ""]
    revision = revision or "1991"
    if revision not in REVISIONS:
        raise OptionError(
            f"driver.path: {path} is COMTRADE {_short(revision)}, not {', '.join(REVISIONS)}"
        )
    is_month_first = revision == "1991"
    _check_counts(path, rest.partition("\n")[0])
    rest = _STAMP.sub(lambda found: _even_stamp(found, is_month_first), rest)
    return revision, f"{station},{device},{revision}\n{rest}"


def _check_counts(path: Path, line: str) -> None:
    """The parser makes room for as many channels as it is told of, before it sees one."""
    for count in re.findall(r"\d+", line):
        if len(count.lstrip("0")) > len(str(MAX_CHANNELS)):
            raise OptionError(
                f"driver.path: {path} says it has {_short(count)} channels; at most {MAX_CHANNELS}"
                f" are read"
            )


def _even_stamp(found: re.Match[str], is_month_first: bool) -> str:
    """A stamp with a year of four digits and a fraction; some writers of 1991 put the day first."""
    first, second, year, time, fraction = found.groups()
    if is_month_first and int(first) > 12:
        first, second = second, first
    if len(year) == 2:
        year = ("19" if int(year) >= 69 else "20") + year  # the pivot of POSIX strptime
    return f"{first}/{second}/{year},{time}{fraction or '.000000'}"


def _parse(path: Path, text: str) -> Cfg:
    cfg = Cfg(ignore_warnings=True)
    lines = io.StringIO(text)
    try:
        cfg.read(lines)
    except (ValueError, TypeError, IndexError, OverflowError) as error:
        number = text.count("\n", 0, lines.tell())
        raise OptionError(
            f"driver.path: the configuration of {path} cannot be read at line {number}:"
            f" {_short(error)}"
        ) from error
    return cfg


def _voltages(path: Path, cfg: Cfg, data_type: str) -> tuple[VoltageChannel, ...]:
    """Every channel in V, kV or mV, in any case but MV, which may be meant as megavolts."""
    ids = [channel.name for channel in cfg.analog_channels]
    found: list[VoltageChannel] = []
    for position, channel in enumerate(cfg.analog_channels):
        unit = channel.uu.strip()
        volts_per_unit = _VOLTS_PER_UNIT.get(unit.lower())
        if volts_per_unit is None or unit == "MV":
            continue
        if not isfinite(channel.a * channel.b):
            raise OptionError(
                f"driver.path: {path} has no usable scale for {_short(repr(channel.name))}"
            )
        is_clear = channel.name != "" and ids.count(channel.name) == 1
        found.append(
            VoltageChannel(
                name=channel.name if is_clear else f"{channel.name}#{channel.n}",
                position=position,
                gain_v=channel.a * volts_per_unit,
                offset_v=channel.b * volts_per_unit,
                full_scale_v=_full_scale(channel, RANGE[data_type]) * volts_per_unit,
                skew_us=channel.skew,
            )
        )
    if not found:
        raise OptionError(f"driver.path: {path} has no channel in V, kV or mV")
    return tuple(found)


def _full_scale(channel: AnalogChannel, type_range: float) -> float:
    """Largest |value| of the stated range, or of the data type where none is stated."""
    ends = (
        (channel.cmin, channel.cmax) if channel.cmin < channel.cmax else (-type_range, type_range)
    )
    return float(max(abs(channel.a * end + channel.b) for end in ends))


def _ascii_bits(cfg: Cfg) -> int:
    spans = [abs(channel.cmax - channel.cmin) for channel in cfg.analog_channels]
    return max(round(max(spans)), 1).bit_length() if isfinite(max(spans)) else 53


def _sample_rate_hz(path: Path, cfg: Cfg) -> float:
    rates = sorted({rate for rate, _ in cfg.sample_rates})
    if len(rates) > 1:
        listed = ", ".join(f"{rate:g}" for rate in rates)
        raise OptionError(
            f"driver.path: {path} changes its sample rate ({listed} samples/s); one fixed rate is"
            " needed"
        )
    if cfg.timestamp_critical or rates in ([], [0.0]):
        return 0.0
    check_rate(path, rates[0])
    return float(rates[0])


def _n_samples(path: Path, cfg: Cfg) -> int:
    n_samples = int(cfg.sample_rates[-1][1]) if cfg.sample_rates else 0
    if n_samples <= 0:
        raise OptionError(f"driver.path: {path} holds no samples")
    return n_samples


def _start_utc_s(path: Path, cfg: Cfg, text: str) -> float | None:
    if cfg.start_timestamp.year == MINYEAR:  # the parser's way to say that there is none
        return None
    offset_s = _zone_s(path, cfg, text) if cfg.rev_year == "2013" else 0
    return float(cfg.start_timestamp.replace(tzinfo=UTC).timestamp()) - offset_s


def _zone_s(path: Path, cfg: Cfg, text: str) -> int:
    """Offset of the stamps from UTC: the first field of the line after timemult."""
    position = cfg.analog_count + cfg.status_count + len(cfg.sample_rates) + 8
    code = "".join(text.split("\n")[position : position + 1]).partition(",")[0].strip() or "0"
    found = _ZONE.fullmatch(code)
    if found is None:
        raise OptionError(
            f"driver.path: {path} has the time_code {code[:40]!r}, not one like +5h30"
        )
    sign, hours, minutes = found.groups()
    offset_s = int(hours) * 3600 + int(minutes or 0) * 60
    return -offset_s if sign == "-" else offset_s


def _short(text: object) -> str:
    """What a file says, as it may stand in a message: it may be of any length and letters."""
    return "".join(char if char.isprintable() else "?" for char in str(text)[:160])
