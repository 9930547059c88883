"""The verbs that read a database, as a person or a script meets them."""

import csv
import io
import json
import subprocess
import sys
from datetime import UTC
from pathlib import Path
from zoneinfo import ZoneInfo

import click
import pytest
from click.testing import CliRunner, Result

from daemon.errors import InputError, StoreError
from daemon.records import Event, Judgement, Kind, LevelTime, LogEntry, LogKind, Verdict
from daemon.store import Store
from drivers.errors import OptionError, SourceFailed, SourceUnavailable
from tests.database_material import START_UTC_S, dip, foreign, judged, run_info
from tests.test_archive import DESIGN_KEYS
from tools.cli import VERBS, main
from tools.text import parse_time, plural, table, wrapped

DAY_S = 86400.0
RUN_UTC_S = START_UTC_S - 7 * DAY_S
_ARGUMENTS = {"show": ["1"], "judge": ["--profile", "iti-2000"]}
SNAPSHOT = json.dumps(
    {
        "site": {"name": "Demo bakery", "circuit": "oven", "timezone": "Europe/Vienna"},
        "supply": {"nominal_v": 230.0, "frequency_hz": 50, "profile": "iti-2000"},
        "capture": {"dip_pct": 90.0, "swell_pct": 110.0, "interruption_pct": 5.0},
    }
)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "events.db"


def run(*words: object, columns: int = 80) -> Result:
    """The command as a person at a terminal of this width would give it."""
    runner = CliRunner(env={"COLUMNS": str(columns)})
    return runner.invoke(main, [str(word) for word in words])


def swell(number: int) -> Event:
    return dip(
        number,
        kind=Kind.SWELL,
        start_s=6.5 * DAY_S,
        extreme_s=6.5 * DAY_S + 0.5,
        duration_s=None,
        complete=False,
        value=268.0,
        value_pct=116.52,
        threshold=253.0,
        level_times=(LevelTime(105.0, 3.4), LevelTime(110.0, 3.4)),
    )


def fill(path: Path) -> None:
    """A week with four events, one of them still open, and twelve minutes unobserved."""
    found = [
        (dip(1, start_s=3600.0), Verdict.MAY_STOP, "below 70 % for at most 0.02 s"),
        (dip(2, start_s=7200.0, value=198.2, value_pct=86.2), Verdict.WITHIN, None),
        (
            dip(
                3,
                start_s=9000.0,
                kind=Kind.FREQUENCY,
                value=49.38,
                unit="Hz",
                value_pct=98.76,
                threshold=49.5,
            ),
            None,
            None,
        ),
        (
            swell(4),
            Verdict.MAY_DAMAGE,
            "above 110 % for at most 0.5 s",
        ),
    ]
    store = Store(path, "Europe/Vienna")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
    events = [
        judged(
            event,
            judgement=Judgement("iti-2000", verdict, limit),
            start_utc_s=RUN_UTC_S + event.start_s,
        )
        for event, verdict, limit in found
    ]
    gap = LogEntry(LogKind.UNOBSERVED, RUN_UTC_S + DAY_S, DAY_S, 720.0, "ring overrun")
    store.add(run_id, events, [gap])
    store.touch_run(run_id, START_UTC_S, 1, 1)
    store.close()


def test_the_table_answers_first_and_fits_80_columns(path: Path) -> None:
    fill(path)
    result = run("events", path)
    assert result.exit_code == 0
    assert result.output.splitlines() == [
        "4 events, 2 serious, compared with iti-2000.",
        "Demo bakery, oven: L1, L2 watched from 2026-11-18 08:15 to 2026-11-25 08:15, 6",
        "days 23 h; 12 min 00 s unobserved.",
        "iti-2000 was written for 120 V and 60 Hz, this supply has 230 V and 50 Hz: it",
        "shows how bad an event was, it is no limit of this supply. `halfcycle profiles",
        "suggest` names those that fit.",
        "",
        "No  Time          What       Channel    Value  of declared        Lasted",
        "Tuesday 2026-11-24",
        " 4  20:15:33.123  swell      L1       268.0 V      116.5 %  end not seen",
        "    may damage equipment: above 110 % for at most 0.5 s, passed by 6.5 % and",
        "    2.90 s",
        "Wednesday 2026-11-18",
        " 1  09:15:33.123  dip (sag)  L1       140.3 V       61.0 %        0.12 s",
        "    equipment may stop: below 70 % for at most 0.02 s, passed by 9.0 % and 60 ms",
        "",
        "Not shown: 1 within the limits and 1 that the profile does not judge; --all",
        "shows them.",
    ]


def test_a_wide_terminal_has_one_line_for_each_event(path: Path) -> None:
    fill(path)
    lines = run("events", path, "--all", columns=160).output.splitlines()
    assert [line.split()[0] for line in lines[lines.index("") :][1:]] == ["No", "4", "3", "2", "1"]
    assert "equipment may stop   below 70 % for at most 0.02 s" in lines[-1]


def test_long_channel_names_do_not_break_the_lines(path: Path) -> None:
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT))
    rapid = dip(1, kind=Kind.RAPID_VOLTAGE_CHANGE, channel="feeder of the bakery\x1b[31m" * 2)
    store.add(run_id, [judged(rapid)], [])
    store.close()
    output = run("events", path).output
    assert max(map(len, output.splitlines())) <= 80
    assert "\x1b" not in output


def test_jsonl_is_oldest_first_with_the_documented_keys(path: Path) -> None:
    fill(path)
    found = [
        json.loads(line)
        for line in run("events", path, "--format", "jsonl").output.split("\n")[:-1]
    ]
    assert [event["id"] for event in found] == [1, 4]
    assert all(list(event) == DESIGN_KEYS for event in found)
    assert (found[1]["duration_s"], found[1]["complete"], found[1]["flags"]) == (None, False, [])


def test_csv_is_what_pythons_csv_reads(path: Path) -> None:
    fill(path)
    output = run("events", path, "--all", "--format", "csv").output
    found = list(csv.DictReader(io.StringIO(output)))
    assert list(found[0]) == DESIGN_KEYS
    assert [row["id"] for row in found] == ["1", "2", "3", "4"]
    assert (found[0]["start_utc"], float(found[0]["value"])) == ("2026-11-18T08:15:33.123Z", 140.3)
    assert (found[2]["verdict"], found[2]["limit"], found[3]["duration_s"]) == ("", "", "")


@pytest.mark.parametrize(
    ("words", "ids"),
    [
        (["--since", "2026-11-18T09:15:33.123"], [1, 2, 3, 4]),  # local time of the site, UTC+1
        (["--since", "2026-11-18T08:15:33.123Z"], [1, 2, 3, 4]),
        (["--since", "2026-11-18T08:15:33.124Z"], [2, 3, 4]),
        (["--until", "2026-11-18T09:15:33.123Z"], [1]),
        (["--until", "2026-11-18 09:15:33.124+00:00"], [1, 2]),
        (["--since", "2026-11-24", "--until", "2026-11-25"], [4]),
        (["--kind", "dip"], [1, 2]),
        (["--since", "1w", "--kind", "flicker"], []),
        (["--since", "0001-01-01", "--until", "9999-12-31"], [1, 2, 3, 4]),
    ],
)
def test_since_until_and_kind(path: Path, words: list[str], ids: list[int]) -> None:
    fill(path)
    output = run("events", path, "--all", "--format", "jsonl", *words).output
    assert [json.loads(line)["id"] for line in output.splitlines()] == ids


def test_a_quiet_database_says_so(path: Path) -> None:
    store = Store(path, "UTC")
    assert run("events", path).output == "No events.\nNothing was watched.\n"
    run_id = store.begin_run(run_info(settings_text=SNAPSHOT, started_utc_s=RUN_UTC_S))
    store.touch_run(run_id, RUN_UTC_S + 3600, 1, 0)
    store.close()
    assert run("events", path).output.splitlines() == [
        "No events.",
        "Demo bakery, oven: L1, L2 watched from 2026-11-18 07:15 to 2026-11-18 08:15, 1 h",
        "00 min.",
    ]
    for layout, output in (("jsonl", ""), ("csv", ",".join(DESIGN_KEYS) + "\n")):
        assert run("events", path, "--format", layout).output == output


def test_nothing_serious_is_said_with_what_is_hidden(path: Path) -> None:
    fill(path)
    lines = run("events", path, "--until", "2026-11-18T09:15:34", "--kind", "frequency").output
    assert lines.startswith("No frequency events.")
    lines = run("events", path, "--kind", "frequency").output
    assert lines.startswith("1 frequency event, none serious.")
    assert "Not shown: 1 that the profile does not judge; --all shows them." in lines


def test_time_between_runs_counts_as_unobserved_where_the_log_says_so(path: Path) -> None:
    store = Store(path, "UTC")
    first = store.begin_run(run_info(started_utc_s=RUN_UTC_S))
    store.end_run(first, RUN_UTC_S + 3600, 1, 0)
    second = store.begin_run(run_info(started_utc_s=RUN_UTC_S + 5400))
    gap = LogEntry(LogKind.UNOBSERVED, RUN_UTC_S + 3600, None, 1800.0, "not running")
    store.add(second, [], [gap])
    store.end_run(second, RUN_UTC_S + 7200, 1, 0)
    store.close()
    output = " ".join(run("events", path).output.split())
    # 60 + 30 minutes seen, 30 between them not
    assert output.endswith("1 h 30 min in 2 runs; 30 min 00 s unobserved.")


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--since", "tomorrow"], "--since is 'tomorrow'; it takes a date"),
        (["--until", "2026-13-01"], "--until is '2026-13-01'; it takes a date"),
        (["--since", "2026-11-25", "--until", "2026-11-24"], "--since 2026-11-25 is later"),
        (["--kind", "sag"], "'sag' is not one of 'dip'"),
        (["--format", "xml"], "'xml' is not one of"),
        (["--since"], "requires an argument"),
    ],
)
def test_wrong_options_are_exit_2_and_no_traceback(
    path: Path, words: list[str], message: str
) -> None:
    fill(path)
    result = run("events", path, *words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert message in result.stderr
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize("verb", ["events", "show", "judge"])
def test_wrong_files_are_exit_2_and_untouched(tmp_path: Path, verb: str) -> None:
    foreign(tmp_path / "other.db", 0, 0)
    (tmp_path / "text.db").write_bytes(b"text" * 100)
    (tmp_path / "empty.db").touch()
    before = {file: file.read_bytes() for file in tmp_path.iterdir()}
    for name in ("missing.db", "other.db", "text.db", "empty.db", "."):
        result = run(verb, tmp_path / name, *_ARGUMENTS.get(verb, []))
        assert (result.exit_code, result.stdout) == (2, ""), name
        assert result.stderr.startswith(f"halfcycle: {tmp_path}"), name
        assert result.stderr.count("\n") == 1, name
    assert {file: file.read_bytes() for file in tmp_path.iterdir()} == before


def test_a_damaged_database_is_exit_3(path: Path) -> None:
    fill(path)
    path.write_bytes(path.read_bytes()[:9000])
    result = run("events", path)
    assert (result.exit_code, result.stdout) == (3, "")
    assert result.stderr.startswith(f"halfcycle: {path} cannot be read: ")


@pytest.mark.parametrize(
    ("error", "status"),
    [
        (InputError("wrong"), 2),
        (OptionError("wrong"), 2),
        (StoreError("wrong"), 3),
        (SourceUnavailable("wrong"), 3),
        (SourceFailed("wrong"), 3),
    ],
)
def test_every_planned_error_has_its_exit_status(
    monkeypatch: pytest.MonkeyPatch, error: Exception, status: int
) -> None:
    @click.command("events")
    def command() -> None:
        raise error

    monkeypatch.setattr("tools.events.command", command)
    result = CliRunner().invoke(main, ["events"])
    assert (result.exit_code, result.stderr) == (status, "halfcycle: wrong\n")


def test_control_c_is_exit_130_without_a_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    @click.command("events")
    def command() -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("tools.events.command", command)
    result = CliRunner().invoke(main, ["events"])
    assert (result.exit_code, result.output) == (130, "")


def halfcycle(*words: str) -> list[str]:
    return [sys.executable, "-c", "from tools.cli import main; main()", *words]


def test_a_closed_pipe_is_quiet(path: Path) -> None:
    store = Store(path, "UTC")
    run_id = store.begin_run(run_info())
    store.add(run_id, [judged(dip(number)) for number in range(2000)], [])
    store.close()
    command = halfcycle("events", str(path), "--format", "jsonl")
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        assert process.stdout.readline().startswith(b'{"id": 1,')
        process.stdout.close()
        assert process.stderr.read() == b""


def test_help_lists_every_verb_without_loading_one() -> None:
    code = (
        "import sys\n"
        "from click.testing import CliRunner\n"
        "from tools.cli import main\n"
        "print(CliRunner().invoke(main, ['--help']).output)\n"
        "print(sorted(set(sys.modules) & {'numpy', 'pydantic', 'yaml', 'sqlite3', 'tools.events'}))"
    )
    command = [sys.executable, "-c", code]
    output = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert output.endswith("[]\n")
    lines = output.splitlines()
    listed = [line.split()[0] for line in lines[lines.index("Verbs:") + 1 :] if line.strip()]
    assert listed[: len(VERBS)] == list(VERBS)
    order = ["demo", "monitor", "measure", "events", "show", "judge", "report", "check-db"]
    assert [verb for verb in VERBS if verb in order] == order  # as a newcomer needs them


def test_version_and_unknown_verbs() -> None:
    assert run("--version").output == "halfcycle, version 0.1.0\n"
    result = run("evnts")
    assert result.exit_code == 2
    assert "No such command 'evnts'" in result.stderr


def test_times_as_people_type_them() -> None:
    now_s, vienna = 1_000_000.0, ZoneInfo("Europe/Vienna")
    typed = {"90s": 90, "30min": 1800, "6h": 21600, "2d": 172800, "1w": 604800, "1.5h ago": 5400}
    for text, ago_s in typed.items():
        assert parse_time("--since", text, vienna, now_s) == now_s - ago_s
    assert parse_time("--since", "99999w", vienna, now_s) == 0.0
    # 1970-01-02 00:00 in Vienna, then UTC+1
    assert parse_time("--since", "1970-01-02", vienna, now_s) == 23 * 3600
    assert parse_time("--since", "1970-01-02T00:00Z", UTC, now_s) == 24 * 3600
    assert parse_time("--since", "9999-12-31T23:59:59-10:00", UTC, now_s) == 253_402_300_799
    for wrong in ("", "h", "-2d", "2 fortnights", "25.11.2026", "2026-02-30"):
        with pytest.raises(InputError, match="it takes a date"):
            parse_time("--since", wrong, vienna, now_s)


def test_tables_and_sentences() -> None:
    lines = table(("No", "What"), [("1", "dip"), ("12", "a\nb")], right=("No",))
    assert lines == ["No  What", " 1  dip", "12  a?b"]
    assert wrapped("one two three", 8, "  ") == ["  one", "  two", "  three"]
    assert [plural(n, "event") for n in (0, 1, 2)] == ["no events", "1 event", "2 events"]
