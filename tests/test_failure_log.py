"""The log of the equipment: forms of time, what they leave open, and what is refused."""

from datetime import UTC, date, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from daemon.errors import InputError
from tools.failure_log import FailureLog, Reading, read_failures

VIENNA = ZoneInfo("Europe/Vienna")
# 2026-11-25T07:15:33.250Z, by `date -u -d @1795590933`
STAMP_S = 1_795_590_933.25
DAY_S = 86_400.0
IN_VIENNA = Reading(VIENNA)


def written(tmp_path: Path, text: str | bytes) -> Path:
    file = tmp_path / "failures.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return file


def read(
    tmp_path: Path,
    text: str,
    reading: Reading = IN_VIENNA,
    watch: tuple[float, float] | None = None,
) -> FailureLog:
    return read_failures(written(tmp_path, text), reading, watch)


def utc_s(*parts: int, zone: timezone | ZoneInfo = VIENNA) -> float:
    return datetime(*parts, tzinfo=zone).timestamp()  # type: ignore[misc,arg-type]


def refused(tmp_path: Path, text: str, reading: Reading = IN_VIENNA) -> str:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text, reading)
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "expected_s"),
    [
        ("2026-11-25T07:15:33.250Z", STAMP_S),
        ("2026-11-25T08:15:33.25+01:00", STAMP_S),
        ("2026-11-25 08:15:33,25", STAMP_S),
        ("2026-11-25 08:15:33.25 +0100", STAMP_S),
        ("2026/11/25 08:15:33", STAMP_S - 0.25),
        ("2026-11-25 08:15:33 Europe/Vienna", STAMP_S - 0.25),
        ("2026-11-25T01:15:33 America/Chicago", STAMP_S - 0.25),
        ("20261125T071533Z", STAMP_S - 0.25),
        ("20261125081533", STAMP_S - 0.25),
        ("25.11.2026 08:15:33", STAMP_S - 0.25),
        ("25/11/2026 08:15", STAMP_S - 33.25),
        ("11/25/2026 8:15:33 AM", STAMP_S - 0.25),
        ("11/25/2026 8:15:33 p.m.", STAMP_S - 0.25 + 43_200),
        ("11/25/2026 12:15 am", STAMP_S - 33.25 - 28_800),
        ("25-11-2026, 08:15:33", STAMP_S - 0.25),
        ("25 Nov 2026 08:15:33", STAMP_S - 0.25),
        ("25-Nov-2026 08:15:33", STAMP_S - 0.25),
        ("Nov 25, 2026 08:15:33", STAMP_S - 0.25),
        ("Wed, 25 Nov 2026 08:15:33 +0100", STAMP_S - 0.25),
        ("Wed Nov 25 08:15:33 2026", STAMP_S - 0.25),
        ("25/Nov/2026:08:15:33 +0100", STAMP_S - 0.25),
        ("[25/Nov/2026:07:15:33 +0000]", STAMP_S - 0.25),
        ("2026-W48-3 08:15:33", STAMP_S - 0.25),
        ("2026W483T07:15:33Z", STAMP_S - 0.25),
        ("2026-11-25 07:15:33 GMT", STAMP_S - 0.25),
        ("2026-11-25 08:15:33 CET", STAMP_S - 0.25),
        ("25.11.2026 08:15:33 (MEZ)", STAMP_S - 0.25),
        ("Wed Nov 25 08:15:33 CET 2026", STAMP_S - 0.25),
        ("11/25/26 8:15:33 AM", STAMP_S - 0.25),
        ("11/25/26 08:15", STAMP_S - 33.25),
        ("1795590933", STAMP_S - 0.25),
        ("1795590933.25", STAMP_S),
        ("1795590933250", STAMP_S),
    ],
)
def test_common_forms_of_time(tmp_path: Path, text: str, expected_s: float) -> None:
    for content in (text, f'time\n"{text}"\n', f'No\tWhen\n1\t"{text}"\n'):
        found = read_failures(written(tmp_path, content), Reading(VIENNA))
        assert [one.utc_s for one in found.failures] == pytest.approx([expected_s], abs=1e-6)


@pytest.mark.parametrize(
    ("content", "notes"),
    [
        ("when;what\n25.11.2026 08:15:33;press, stopped\n26.11.2026 01:02:03;again\n",
         ["press, stopped", "again"]),
        ("press,2026-11-25 08:15:33,stop\npress,2026-11-26 01:02:03,\n", ["press stop", "press"]),
        ("25/Nov/2026,08:15:33,a\n26/Nov/2026,01:02:03,b\n", ["a", "b"]),
        ("Date,Time,Code\n25/11/2026,08:15:33,E4\n26/11/2026,01:02:03,E5\n", ["E4", "E5"]),
        ("\ufeff# from the press\n\n2026-11-25 08:15:33\n2026-11-26 01:02:03\n", ["", ""]),
    ],
)  # fmt: skip
def test_separator_column_and_header_are_found_out(
    tmp_path: Path, content: str, notes: list[str]
) -> None:
    expected = [
        datetime(2026, 11, 25, 8, 15, 33, tzinfo=VIENNA).timestamp(),
        datetime(2026, 11, 26, 1, 2, 3, tzinfo=VIENNA).timestamp(),
    ]
    for data in (content.encode(), content.lstrip("\ufeff").encode("utf-16")):
        found = read_failures(written(tmp_path, data), Reading(VIENNA)).failures
        assert [one.utc_s for one in found] == expected
        assert [one.note for one in found] == notes


def test_the_order_of_day_and_month_comes_from_the_whole_file(tmp_path: Path) -> None:
    file = written(tmp_path, "03/04/2026 10:00\n11/25/2026 10:00\n")
    found = read_failures(file, Reading(UTC)).failures
    assert found[0].utc_s == datetime(2026, 3, 4, 10, tzinfo=UTC).timestamp()
    file = written(tmp_path, "03/04/2026 10:00\n")
    with pytest.raises(InputError, match="--day-first or --month-first"):
        read_failures(file, Reading(UTC))
    found = read_failures(file, Reading(UTC, is_day_first=True)).failures
    assert found[0].utc_s == datetime(2026, 4, 3, 10, tzinfo=UTC).timestamp()
    found = read_failures(file, Reading(UTC, is_day_first=False)).failures
    assert found[0].utc_s == datetime(2026, 3, 4, 10, tzinfo=UTC).timestamp()


def test_a_time_that_is_twice_or_never_is_said(tmp_path: Path) -> None:
    """Vienna goes from 02:00 to 03:00 on 2026-03-29, and from 03:00 to 02:00 on 2026-10-25."""
    twice = read(tmp_path, "2026-10-25 02:30:00\n")
    assert twice.failures[0].utc_s == utc_s(2026, 10, 25, 0, 30, zone=UTC)
    assert twice.assumptions == (
        "line 1: 2026-10-25 02:30:00 comes twice, as clocks were set back that night: the first "
        "one was taken",
    )
    never = read(tmp_path, "2026-03-29 02:30:00\n")
    assert never.failures[0].utc_s == utc_s(2026, 3, 29, 1, 30, zone=UTC)
    assert "does not exist, as clocks were set forward that night" in never.assumptions[0]


def test_letters_tell_the_two_hours_of_that_night_apart(tmp_path: Path) -> None:
    text = "2026-10-25 02:30:00 CEST\n2026-10-25 02:30:00 CET\n"
    found = read(tmp_path, text)
    first = utc_s(2026, 10, 25, 0, 30, zone=UTC)
    assert [one.utc_s for one in found.failures] == [first, first + 3600.0]
    assert found.assumptions == ()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("0001-01-01 00:00:01", "the year must be in 1970..2199"),  # a date that was never set
        ("9999-12-31 23:59:59", "the year must be in 1970..2199"),
        ("2026-13-01 08:00:00", "there is no month 13"),
        ("2026-02-30 08:00:00", "there is no 2026-02-30"),
        ("2026-03-02 24:00:00", "a day goes from 00:00:00 to 23:59:59"),
        ("2026-03-02 08:00:00+99:00", "no zone is +99:00 from UTC"),
    ],
)
def test_times_that_cannot_be_are_refused(tmp_path: Path, text: str, said: str) -> None:
    assert said in refused(tmp_path, f"{text}\n", Reading(VIENNA))


@pytest.mark.parametrize(
    ("text", "zone", "said"),
    [
        ("2026-03-02 08:40:16 CET", None, "has a zone in letters, CET"),
        ("2026-07-02 08:40:16 CET", VIENNA, "Europe/Vienna is called CEST then, not CET"),
        ("2026-03-02 08:40:16 EST", VIENNA, "Europe/Vienna is called CET then, not EST"),
        (
            "2026-03-02 08:40:16 CET",
            timezone(timedelta(hours=1)),
            "is called UTC+01:00 then, not CET",
        ),
        ("2026-03-02 08:40:16 XQZ", VIENNA, "ends with XQZ, which is no zone that is known"),
    ],
)
def test_letters_that_do_not_agree_are_refused(
    tmp_path: Path, text: str, zone: timezone | ZoneInfo | None, said: str
) -> None:
    assert said in refused(tmp_path, f"{text}\n", Reading(zone))


def test_letters_of_other_zones(tmp_path: Path) -> None:
    """2026-03-02 08:40:16: New York is 5 h behind UTC, London and UTC agree."""
    expected = utc_s(2026, 3, 2, 8, 40, 16, zone=UTC)
    york = Reading(ZoneInfo("America/New_York"))
    assert read(tmp_path, "2026-03-02 03:40:16 EST\n", york).failures[0].utc_s == expected
    assert read(tmp_path, "2026-03-02 08:40:16 UTC\n", york).failures[0].utc_s == expected
    summer = read(tmp_path, "2026-07-02 08:40:16 BST\n", Reading(ZoneInfo("Europe/London")))
    assert summer.failures[0].utc_s == utc_s(2026, 7, 2, 7, 40, 16, zone=UTC)


@pytest.mark.parametrize(
    ("line", "note"),
    [
        ("Nov 25 08:15:33 press-2 kernel: restart, 12:30", "press-2 kernel: restart, 12:30"),
        ("2026-11-25T07:15:33Z press-2 psu: off", "press-2 psu: off"),
        ("2026-11-25 08:15:33 fail 0", "fail 0"),
        ("2026-11-25 01:15:33 -0600 - reset", "reset"),
        ("2026-11-25 08:15:33: reset", "reset"),
        ("[Wed Nov 25 08:15:33 2026] usb 1-1: reset", "usb 1-1: reset"),
        ("[2026-11-25 08:15:33] reset", "reset"),
        ("Wed Nov 25 08:15:33 CET 2026 reset", "reset"),
        ("11/25/2026 8:15:33 AM off; on again", "off; on again"),
        ("2026-11-25 08:15:33 ist ausgefallen", "ist ausgefallen"),  # no India Standard Time
        ("Nov 25 08:15:33 4096 errors", "4096 errors"),  # no year
    ],
)
def test_lines_that_begin_with_a_time(tmp_path: Path, line: str, note: str) -> None:
    """As computers write them: RFC 3164, RFC 3339 and `asctime` of POSIX, from memory."""
    watch = (STAMP_S - DAY_S, STAMP_S + DAY_S)
    later = line.replace("15:33", "15:44")
    (first, second) = read(tmp_path, f"# press\n\n{line}\n{later}\n", watch=watch).failures
    assert (first.utc_s, first.note, first.line) == (STAMP_S - 0.25, note, 3)
    assert (second.utc_s, second.line) == (STAMP_S + 10.75, 4)


@pytest.mark.parametrize(
    "text",
    [
        "2026-11-25 07:15:33 (UTC) off",
        "2026-11-25 07:15:33 utc off",
        "2026-11-25 11:15:33 GMT+4 off",
        "2026-11-25 04:20:07 p. m. off",
        "2026-11-25 04:20:07 Nachm. aus",
        "Nov 25 08:15:33 2025 off",
        "2026-11-25 08:15:33 XQZ",
    ],
)
def test_words_that_may_belong_to_the_time_are_not_left_aside(tmp_path: Path, text: str) -> None:
    watch = (STAMP_S - DAY_S, STAMP_S + DAY_S)
    with pytest.raises(InputError, match="line 1"):
        read(tmp_path, f"{text}\n{text}\n", watch=watch)


@pytest.mark.parametrize(
    ("text", "note"),
    [
        ("Date;Time;AM/PM;Machine\n2026-11-25;08:15:33;AM;oven\n", "oven"),
        ("Date,Time,AM/PM,Zone\n11/25/2026,01:15:33,AM,-06:00\n", ""),
        ("Time (UTC),Machine\n2026-11-25 07:15:33,oven\n", "oven"),
        ("Date,Time UTC,Machine\n2026-11-25,07:15:33,oven\n", "oven"),
        ("Date,Time,TZ,Machine\n2026-11-25,07:15:33,UTC,oven\n", "oven"),
        ("Time,Zone,Machine\n2026-11-25 07:15:33,+00:00,oven\n", "oven"),
        ("Time (UTC),Machine\n2026-11-25T08:15:33+01:00,oven\n", "oven"),
        ("Time (UTC),Machine\n2026-11-25 08:15:33 CET,oven\n", "oven"),
        ("Time,Code,Machine\n2026-11-25 08:15:33,-0500,oven\n", "-0500 oven"),
    ],
)
def test_halves_of_the_day_and_zones_in_columns_of_their_own(
    tmp_path: Path, text: str, note: str
) -> None:
    (one,) = read(tmp_path, text).failures
    assert (one.utc_s, one.note) == (STAMP_S - 0.25, note)
    evening = read(tmp_path, "Date;Time;Half;What\n2026-11-25;08:15:33;PM;oven\n").failures
    assert evening[0].utc_s == STAMP_S - 0.25 + 43_200


def test_what_a_crash_or_a_spreadsheet_put_there_is_passed_over(tmp_path: Path) -> None:
    text = "2026-11-25 08:15:33 off\n" + 300 * "\0" + "2026-11-25 08:16:33 on after a crash\n"
    assert [one.line for one in read(tmp_path, text).failures] == [1, 2]
    text = "sep=;\nDatum;Uhrzeit;Maschine\n25.11.2026;08:15:33;oven\n"
    assert read(tmp_path, text).failures[0].note == "oven"


def test_a_line_without_a_time_between_others_is_named(tmp_path: Path) -> None:
    text = "2026-11-25 08:15:33 off\nrestarted by hand\n2026-11-25 08:16:33 on\n"
    assert "line 2: 'restarted by hand' is not a time" in refused(tmp_path, text)


def test_remarks_between_the_entries_of_a_journal_are_passed_over(tmp_path: Path) -> None:
    text = (
        "-- Journal begins at Mon 2026-11-23 08:00:01 CET. --\n"
        "Nov 25 08:15:33 press-2 psu: off\n-- Boot 3f9c --\nNov 25 08:16:33 press-2 psu: on\n"
    )
    watch = (STAMP_S - DAY_S, STAMP_S + DAY_S)
    assert [one.line for one in read(tmp_path, text, watch=watch).failures] == [2, 4]


@pytest.mark.parametrize("day", [(2026, 1, 1), (2027, 1, 3), (2026, 12, 31), (2024, 2, 29)])
def test_weeks_of_iso_8601(tmp_path: Path, day: tuple[int, int, int]) -> None:
    """Against `strftime`, at the turns of years."""
    text = f"{date(*day):%G-W%V-%u} 08:40:16\n"
    assert read(tmp_path, text).failures[0].utc_s == utc_s(*day, 8, 40, 16)
    assert "line 1" in refused(tmp_path, "2026-W54-1 08:40:16\n")


def test_a_year_of_two_digits(tmp_path: Path) -> None:
    """Day first, month first and year first, or what is the only way to read the whole file."""
    expected = utc_s(2026, 3, 2, 8, 40, 16)
    day, month = Reading(VIENNA, True), Reading(VIENNA, False)
    for text, reading in (
        ("02.03.26 08:40:16", day),
        ("2/3/26 8:40:16 AM", day),
        ("02-Mar-26 08:40:16", day),
        ("3/2/26 8:40:16 AM", month),
        ("3/2/26 8:40:16 AM\n3/31/26 9:00:00 AM", Reading(VIENNA)),
    ):
        assert read(tmp_path, f"{text}\n", reading).failures[0].utc_s == expected
    for text in ("02.03.26 08:40:16", "3/2/26 8:40:16 AM", "02-Mar-26 08:40:16"):
        assert "the day, the month or the year first; give --day" in refused(tmp_path, text)
    assert "2000 to 2069" in refused(tmp_path, "02.03.85 08:40:16", day)
    year_first = read(tmp_path, "32/01/02 10:00\n", Reading(UTC))  # no day or month is 32
    assert year_first.failures[0].utc_s == utc_s(2032, 1, 2, 10, zone=UTC)


WATCH = (utc_s(2025, 12, 20), utc_s(2026, 3, 10))


@pytest.mark.parametrize(
    ("text", "expected_s"),
    [
        ("Mar 02 08:40:16", utc_s(2026, 3, 2, 8, 40, 16)),
        ("Mar  2 08:40:16", utc_s(2026, 3, 2, 8, 40, 16)),
        ("2 Mar 08:40:16", utc_s(2026, 3, 2, 8, 40, 16)),
        ("Dec 28 08:40:16", utc_s(2025, 12, 28, 8, 40, 16)),
        ("Dec 01 08:40:16", utc_s(2025, 12, 1, 8, 40, 16)),  # before the watch, by any year
        ("Mar 20 08:40:16", utc_s(2026, 3, 20, 8, 40, 16)),
    ],
)
def test_a_time_without_year_has_that_of_the_watch(
    tmp_path: Path, text: str, expected_s: float
) -> None:
    found = read(tmp_path, f"{text},stop\n", watch=WATCH)
    assert found.failures[0].utc_s == expected_s
    assert found.assumptions == ("the times name no year: it was taken from the watch",)


def test_a_year_that_is_open_is_refused(tmp_path: Path) -> None:
    file = written(tmp_path, "Mar 02 08:40:16\n")
    long = (utc_s(2025, 1, 1), utc_s(2026, 6, 1))
    with pytest.raises(InputError, match="lies in the watch in 2025 and in 2026; write the year"):
        read_failures(file, Reading(VIENNA), long)
    with pytest.raises(InputError, match="has no year; write it"):
        read_failures(file, Reading(VIENNA))
    file = written(tmp_path, "Feb 29 08:40:16\n")
    with pytest.raises(InputError, match="line 1"):
        read_failures(file, Reading(VIENNA), (utc_s(2026, 2, 1), utc_s(2026, 6, 1)))


def test_day_numbers_of_a_spreadsheet_are_refused(tmp_path: Path) -> None:
    for text in ("time,what\n46083.3613,stop\n46084.5,stop\n", "46083,3613;stop\n"):
        said = refused(tmp_path, text)
        assert "'46083" in said
        assert "format its cells as yyyy-mm-dd hh:mm:ss and save the file again" in said
    assert "day number" not in refused(tmp_path, "press,12\nstop,46083.5\nx,1\n")


def test_what_is_quoted_is_the_time_alone(tmp_path: Path) -> None:
    for text in (
        "time,what,code\n99.03.26 08:40:16,fail,0\n",
        "time;what;code\n99.03.26;08:40:16;fail\n",
        "time,what\n2026-11-25 08:15:33,ok\n99.03.26 08:40:16,fail\n",
    ):
        said = refused(tmp_path, text, Reading(VIENNA, True))
        assert "'99.03.26 08:40:16'" in said
        assert "fail" not in said.partition("line")[2]
    assert "more after the time; put a comma" in refused(
        tmp_path, "2026-11-25 08:15:33 -12 V low\n"
    )
    assert "line 2 has no time in its column; it holds 'stop'" in refused(
        tmp_path, "2026-11-25 08:15:33,go\n,stop\n"
    )


def test_a_time_that_is_listed_twice_is_one_failure(tmp_path: Path) -> None:
    text = (
        "2026-11-25 08:15:33,stop\n2026-11-26 08:15:33,stop\n2026-11-25T07:15:33Z,jam\n"
        "2026-11-25 08:15:33,stop\n"
    )
    found = read(tmp_path, text)
    assert [one.utc_s for one in found.failures] == [STAMP_S - 0.25, STAMP_S - 0.25 + DAY_S]
    assert [one.note for one in found.failures] == ["stop / jam", "stop"]
    assert found.assumptions == (
        "2 entries repeat the time of another (3, 4): each time is counted once",
    )
