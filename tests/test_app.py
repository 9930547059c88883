"""A whole run, from the input to the database: what is kept, what is logged, how it ends."""

import os
import shutil
import signal
import socket
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from daemon.acquisition import DeviceFault, Fetched
from daemon.app import Monitor, Summary
from daemon.errors import InputError, StoreError
from daemon.runtime import claim_database
from daemon.schema import utc_seconds
from daemon.settings import Settings
from daemon.spool import SPOOL_NAME, Mark, write_mark
from daemon.status import Snapshot, State, read_snapshot
from daemon.store import CUT_SHORT
from drivers.clock import SystemClock
from drivers.errors import OptionError, SourceEnded, SourceFailed
from tests.whole_material import (
    CHECKOUT,
    RATE_HZ,
    children_of,
    halfcycle,
    mains,
    running,
    settings_in,
    until,
    wav_driver,
    write_config,
    write_wav,
)

SCENARIOS = CHECKOUT / "config" / "scenarios"


class ShiftedClock(SystemClock):
    """The operating system's clocks, with a wall clock that can be set."""

    def __init__(self, shift_s: float = 0.0) -> None:
        self.shift_s = shift_s

    def utc_ns(self) -> int:
        return super().utc_ns() + round(self.shift_s * 1e9)


class Calls:
    """Ends a run when `is_over` says so; it is asked before every turn."""

    def __init__(self, is_over: Callable[[], bool] = lambda: False) -> None:
        self._is_over = is_over

    def is_set(self) -> bool:
        return self._is_over()


def after_s(duration_s: float) -> Calls:
    """Over so long after it was first asked, however long the start took."""
    asked_s: list[float] = []

    def is_over() -> bool:
        asked_s.append(time.monotonic())
        return asked_s[-1] - asked_s[0] > duration_s

    return Calls(is_over)


def watch(
    settings: Settings, clock: SystemClock | None = None, stop: Calls | None = None
) -> Summary:
    monitor = Monitor(settings, clock or SystemClock(), with_page=False)
    return monitor.run(stop or Calls())


def scenario(folder: Path, name: str, nominal_v: float, frequency_hz: int, **keys: Any) -> Settings:
    return settings_in(
        folder,
        {
            "name": "simulated",
            "scenario": str(SCENARIOS / name),
            "pace": "as_fast_as_possible",
            **keys,
        },
        supply={"nominal_v": nominal_v, "frequency_hz": frequency_hz},
    )


def rows(database: Path, sql: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(f"file:{database}?mode=ro", uri=True)) as connection:
        return connection.execute(sql).fetchall()


def shown_in(folder: Path) -> Snapshot:
    snapshot = read_snapshot(folder / "status.json")
    assert snapshot is not None
    return snapshot


def log_kinds(database: Path) -> list[str]:
    return [kind for (kind,) in rows(database, "SELECT kind FROM log ORDER BY id")]


def test_a_recording_leaves_its_event_and_an_account_of_its_samples(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", mains(8.0, (3.0, 0.4, 0.6)))
    settings = settings_in(tmp_path, wav_driver())
    summary = watch(settings)
    database = tmp_path / "events.db"
    n_samples = 8 * RATE_HZ
    assert summary == Summary(1, database, n_samples, 0, 1)
    ((kind, start_s, duration_s, value, complete, clock, start_utc),) = rows(
        database, "SELECT kind, start_s, duration_s, value, complete, clock, start_utc FROM event"
    )
    assert (kind, complete, clock) == ("dip", 1, "recording")
    # one cycle (IEC 61000-4-30, 5.4.5.2), and 0.2 % of 230 V
    assert start_s == pytest.approx(3.0, abs=0.02)
    assert duration_s == pytest.approx(0.4, abs=0.02)
    assert value == pytest.approx(0.6 * 230, abs=0.46)
    assert utc_seconds(start_utc) == pytest.approx(
        utc_seconds("2026-03-01T12:00:00Z") + start_s, abs=1e-3
    )


def test_the_row_of_a_run(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", mains(2.0))
    watch(settings_in(tmp_path, wav_driver()))
    ((*known, boot_id),) = rows(
        tmp_path / "events.db",
        "SELECT id, started_utc, until_utc, stopped, driver, sample_rate_hz, samples_measured, "
        "samples_lost, clock, channels, timezone, boot_id FROM run",
    )
    assert known == [
        1, "2026-03-01T12:00:00.000Z", "2026-03-01T12:00:02.000Z", 1, "recording", 8000.0,
        16_000, 0, "recording", '["ch1"]', "Europe/Vienna",
    ]  # fmt: skip
    assert boot_id == Path("/proc/sys/kernel/random/boot_id").read_text().strip()


def test_every_lost_sample_is_in_the_log(tmp_path: Path) -> None:
    """The scenario loses 7 samples at 14 s, 400 at 20 s and 1.5 s at 26 s, of 60 s at 16 kS/s."""
    summary = watch(scenario(tmp_path, "faults.yaml", 230, 50))
    n_lost = 7 + 400 + 24_000
    assert (summary.n_samples, summary.n_lost) == (60 * 16_000 - n_lost, n_lost)
    unobserved = rows(
        summary.database,
        "SELECT start_s, duration_s FROM log WHERE kind = 'unobserved' ORDER BY start_s",
    )
    expected = [(14.0, 7 / 16_000), (20.0, 400 / 16_000), (26.0, 1.5)]
    for (start_s, duration_s), (at_s, length_s) in zip(unobserved, expected, strict=True):
        # the loss begins with the first sample not before its time
        assert start_s == pytest.approx(at_s, abs=1 / 16_000)
        assert duration_s == pytest.approx(length_s, abs=1e-9)
    account = rows(summary.database, "SELECT samples_measured, samples_lost FROM run")
    assert account == [(summary.n_samples, n_lost)]
    # The input stands at 45 degrees of the wave from 36 s to 38 s: the rms value of a sound supply.
    stood = rows(
        summary.database,
        "SELECT start_s, duration_s FROM log WHERE text LIKE '%the input st%still%'",
    )
    assert [length_s is None for _, length_s in stood] == [True, False]
    assert stood[1] == pytest.approx((36, 2), abs=0.2)  # it is looked at every 0.2 s


def test_a_steady_supply_adds_no_row(tmp_path: Path) -> None:
    """Five minutes with noise, drift and 3 % distortion: the start, the end, nothing else."""
    summary = watch(scenario(tmp_path, "quiet.yaml", 120, 60, sample_rate_hz=8000, duration_s=300))
    assert (summary.n_samples, summary.n_events) == (300 * 8000, 0)
    assert log_kinds(summary.database) == ["started", "stopped"]
    for table in ("event", "trace", "waveform"):
        assert rows(summary.database, f"SELECT count(*) FROM {table}") == [(0,)]
    assert rows(summary.database, "SELECT count(*) FROM run") == [(1,)]


def test_settings_are_kept_once_for_all_runs_that_share_them(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", mains(0.5))
    settings = settings_in(tmp_path, wav_driver())
    for _ in range(2):
        watch(settings)
    watch(settings_in(tmp_path, wav_driver(), capture={"dip_pct": 85}))
    database = settings.store.path
    assert rows(database, "SELECT settings_id FROM run ORDER BY id") == [(1,), (1,), (2,)]
    assert rows(database, "SELECT json_extract(text, '$.capture.dip_pct') FROM settings") == [
        (90.0,),
        (85.0,),
    ]


def test_runs_of_recordings_do_not_count_as_time_before_a_live_one(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", mains(0.5))
    watch(settings_in(tmp_path, wav_driver()))
    watch(live(tmp_path, 0.5))
    assert log_kinds(tmp_path / "events.db") == ["started", "stopped"] * 2


@pytest.mark.parametrize(
    ("start_utc", "origin_s"),
    [
        ("2026-03-01T12:00:00Z", 0.0),
        ("2026-03-01T12:03:20.5Z", -200.5),
        ("2026-03-01T12:59:59Z", -599.0),
        (None, 0.0),  # as fast as possible, made at an unknown time
    ],
)
def test_slots_begin_at_tens_of_minutes_of_utc(
    tmp_path: Path, start_utc: str | None, origin_s: float
) -> None:
    """IEC 61000-4-30, 4.5.4: tested with starts of which anyone can say the tick before."""
    write_wav(tmp_path / "a.wav", mains(0.5))
    settings = settings_in(tmp_path, wav_driver(start_utc=start_utc))
    monitor = Monitor(settings, SystemClock(), with_page=False)
    monitor.run(Calls())
    # a double of this size, in seconds since 1970, resolves 0.24 us
    assert monitor._pipeline._setup.slot_origin_index / RATE_HZ == pytest.approx(origin_s, abs=1e-6)


def test_a_live_input_s_slots_follow_the_computer_s_clock(tmp_path: Path) -> None:
    before_s = time.time()
    monitor = Monitor(live(tmp_path, 0.5), SystemClock(), with_page=False)
    monitor.run(Calls())
    origin_s = monitor._pipeline._setup.slot_origin_index / RATE_HZ
    # the first sample is taken after the look at the clock; opening takes seconds when it is busy
    assert 0.0 <= -(before_s + origin_s) % 600 <= 60.0
    # when the first block has come it is known better, but for what that one block was late
    slot = monitor._pipeline._schedule.slot_at(0, 600)
    tick_s = monitor._sample_clock.utc_s(slot.start_index)
    assert (tick_s + 300) % 600 == pytest.approx(300, abs=2.0)


def test_a_second_monitor_on_the_same_database_is_refused(tmp_path: Path) -> None:
    """Whatever its runtime folder: the lock lies beside the database."""
    settings = live(tmp_path)
    config = write_config(tmp_path, wav_driver(pace="realtime", start_utc=None))
    first = Monitor(settings, SystemClock(), with_page=False)
    (tmp_path / "link.db").symlink_to(tmp_path / "events.db")
    linked = settings_in(tmp_path, wav_driver(), store={"path": "link.db"})
    with pytest.raises(InputError, match="another monitor already writes to it"):
        Monitor(linked, SystemClock(), with_page=False)
    (tmp_path / "other").mkdir()
    done = halfcycle(
        "monitor", "-c", config, "--no-page", RUNTIME_DIRECTORY=str(tmp_path / "other")
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        f"halfcycle: store.path is {tmp_path}/events.db, and another monitor already writes to "
        "it; stop that one first, or give this one a database of its own\n"
    )
    first.run(after_s(0.1))
    assert not (tmp_path / "events.db.lock").exists()
    watch(settings, stop=after_s(0.1))


def test_a_claim_left_by_a_kill_is_no_obstacle(tmp_path: Path) -> None:
    (tmp_path / "events.db.lock").touch()
    with closing(claim_database(tmp_path / "events.db")), pytest.raises(InputError):
        claim_database(tmp_path / "events.db")
    claim_database(tmp_path / "events.db").close()


def live(folder: Path, duration_s: float = 60.0, *changes: tuple[float, float, float]) -> Settings:
    write_wav(folder / "a.wav", mains(duration_s, *changes))
    return settings_in(folder, wav_driver(pace="realtime", start_utc=None))


def test_time_between_two_live_runs_is_logged(tmp_path: Path) -> None:
    settings = live(tmp_path, 1.0)
    watch(settings)
    watch(settings, ShiftedClock(3600.0))
    database = settings.store.path
    assert log_kinds(database) == ["started", "stopped", "unobserved", "started", "stopped"]
    ((start_utc, duration_s, text),) = rows(
        database, "SELECT start_utc, duration_s, text FROM log WHERE kind = 'unobserved'"
    )
    (_, until_utc), (started_utc, _) = rows(
        database, "SELECT started_utc, until_utc FROM run ORDER BY id"
    )
    assert (start_utc, text) == (until_utc, "the monitor was stopped")
    between_s = utc_seconds(started_utc) - utc_seconds(until_utc)
    assert duration_s == pytest.approx(between_s, abs=0.002)  # stamps are kept to milliseconds
    assert 3600.0 < duration_s < 3610.0


def test_a_clock_behind_the_run_before_is_said(tmp_path: Path) -> None:
    settings = live(tmp_path, 0.5)
    watch(settings)
    watch(settings, ShiftedClock(-3600.0))
    ((duration_s, text),) = rows(
        settings.store.path, "SELECT duration_s, text FROM log WHERE kind = 'unobserved'"
    )
    assert duration_s is None
    assert "the clock is behind" in text


def test_two_recordings_have_no_time_between_them(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", mains(0.5))
    settings = settings_in(tmp_path, wav_driver())
    watch(settings)
    watch(settings, ShiftedClock(3600.0))
    assert log_kinds(settings.store.path) == ["started", "stopped"] * 2


def test_a_clock_that_is_set_is_logged(tmp_path: Path) -> None:
    clock = ShiftedClock()
    began_s: list[float] = []

    def set_it() -> bool:
        began_s.append(time.monotonic())
        passed_s = began_s[-1] - began_s[0]
        if passed_s > 1.2:
            clock.shift_s = 1234.5
        return passed_s > 3.5

    summary = watch(live(tmp_path), clock, Calls(set_it))
    ((text,),) = rows(summary.database, "SELECT text FROM log WHERE kind = 'clock_set'")
    assert text.startswith("the clock was set by +1234.500 s; the times of this run before that")
    ((start_utc, first_utc),) = rows(
        summary.database,
        "SELECT start_utc, json_extract(as_stored, '$.start_utc') FROM log WHERE kind = 'started'",
    )
    # until the first block is there, the first sample is taken for as old as the opened input
    assert utc_seconds(start_utc) - utc_seconds(first_utc) == pytest.approx(1234.5, abs=1.0)


def test_a_live_run_says_how_it_is_and_tells_systemd(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, runtime_directory: Path
) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listener:
        listener.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        states: set[State] = set()
        stop_at = after_s(3.0)

        def look() -> bool:
            if (runtime_directory / "status.json").exists():
                states.add(shown_in(runtime_directory).state)
            return stop_at.is_set()

        (runtime_directory / "status.json").unlink(missing_ok=True)
        watch(live(tmp_path), stop=Calls(look))
        listener.setblocking(False)
        told = list(datagrams(listener))
    assert told[0] == b"READY=1"
    assert told[-1] == b"STOPPING=1"
    assert 1 <= told.count(b"WATCHDOG=1") <= 4  # once a second
    assert State.WATCHING in states
    snapshot = shown_in(runtime_directory)
    assert snapshot.state is State.STOPPED
    assert snapshot.channels[0].urms_v == pytest.approx(230.0, abs=0.23)  # 0.1 % of declared


def datagrams(listener: socket.socket) -> Iterator[bytes]:
    while True:
        try:
            yield listener.recv(100)
        except BlockingIOError:
            return


def test_an_open_event_survives_a_kill_and_is_flagged_at_the_next_start(tmp_path: Path) -> None:
    """SIGKILL leaves no moment to tidy up: what is known by then has to be on the disk already."""
    write_wav(tmp_path / "a.wav", mains(60.0, (1.2, 58.0, 0.5)))
    config = write_config(tmp_path, wav_driver(pace="realtime", start_utc=None))
    database = tmp_path / "events.db"
    with running("monitor", "-c", config, "--no-page") as process:
        until(database.exists)
        until(lambda: rows(database, "SELECT count(*) FROM event") == [(1,)])
        (sampler,) = children_of(process.pid, "daemon.sampler")
        process.kill()
        process.wait(5)
    until(lambda: not is_running(sampler), 5)
    copied = tmp_path / "copy.db"  # as a power cut leaves it, with its write-ahead log
    for suffix in ("", "-wal", "-shm"):
        if database.with_name(f"events.db{suffix}").exists():
            shutil.copy(f"{database}{suffix}", f"{copied}{suffix}")
    assert rows(copied, "PRAGMA integrity_check") == [("ok",)]
    columns = "kind, duration_s, complete, flags"
    assert rows(copied, f"SELECT {columns} FROM event") == [("dip", None, 0, "[]")]
    assert rows(copied, "SELECT stopped FROM run") == [(0,)]

    watch(settings_in(tmp_path, wav_driver(pace="realtime", start_utc=None)), stop=after_s(0.2))
    ((*_, flags), *_) = rows(database, f"SELECT {columns} FROM event ORDER BY id")
    assert flags == f'["{CUT_SHORT}"]'
    assert rows(database, "SELECT text FROM log WHERE kind = 'unobserved'") == [
        ("the monitor broke off",)
    ]


def is_running(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    # an ended process stays a zombie (state Z, proc(5)) until its new parent fetches it
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"


def test_a_killed_sampler_is_logged_and_is_no_good_order(tmp_path: Path) -> None:
    settings = live(tmp_path)
    monitor = Monitor(settings, SystemClock(), with_page=False)
    os.kill(monitor._acquisition._process.pid, signal.SIGKILL)
    with pytest.raises(SourceFailed, match="ended unexpectedly"):
        monitor.run(Calls())
    database = settings.store.path
    assert log_kinds(database) == ["started", "fault"]
    assert rows(database, "SELECT stopped FROM run") == [(0,)]


def test_the_same_fault_is_logged_once(tmp_path: Path, runtime_directory: Path) -> None:
    """A device that stays away is tried for ever: the log must not grow with it."""
    settings = live(tmp_path)
    monitor = Monitor(settings, SystemClock(), with_page=False)
    faults = [DeviceFault("pulled out")] * 5 + [DeviceFault("no such device")] * 5
    states = []

    def fetch(timeout_s: float) -> Fetched | DeviceFault | None:
        time.sleep(0.15)
        if not faults:
            states.append(shown_in(runtime_directory).state)
            raise SourceEnded
        return faults.pop(0)

    monitor._acquisition.fetch = fetch  # type: ignore[method-assign]
    monitor.run(Calls())
    assert rows(settings.store.path, "SELECT text FROM log WHERE kind = 'fault'") == [
        ("pulled out",),
        ("no such device",),
    ]
    assert states == [State.WAITING_FOR_DEVICE]


def test_a_recording_that_cannot_be_stored_ends_at_once_and_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody waits for the answer, and the file can be read again later."""
    write_wav(tmp_path / "a.wav", mains(30.0, (0.5, 29.0, 0.5)))
    monitor = Monitor(settings_in(tmp_path, wav_driver()), SystemClock(), with_page=False)

    def refuse(*given: object) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr("daemon.store.Store.add", refuse)
    with pytest.raises(StoreError, match="the disk is full"):
        monitor.run(Calls())


def test_a_start_that_fails_at_the_database_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = live(tmp_path)

    def refuse(*given: object) -> None:
        raise StoreError("the disk is full")

    monkeypatch.setattr("daemon.store.Store.begin_run", refuse)
    with pytest.raises(StoreError, match="the disk is full"):
        Monitor(settings, SystemClock(), with_page=False)


def test_wrong_input_is_found_before_anything_is_written(tmp_path: Path) -> None:
    write_wav(tmp_path / "a.wav", mains(0.5))
    channels = [{"name": "L1", "input": 1}]
    with pytest.raises(InputError, match=r"channels\.0\.input is 1"):
        Monitor(
            settings_in(tmp_path, wav_driver(), channels=channels), SystemClock(), with_page=False
        )
    with pytest.raises(OptionError, match=r"driver\.path"):
        Monitor(settings_in(tmp_path, wav_driver("b.wav")), SystemClock(), with_page=False)
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.wav"]


def test_gain_and_offset_are_applied(tmp_path: Path) -> None:
    """The input sees a hundredth of the mains on 10 V of bias."""
    write_wav(tmp_path / "a.wav", mains(6.0, (3.0, 0.4, 0.6)) / 100 + 10.0)
    channels = [{"name": "L1", "input": 0, "gain_v_per_v": 100, "offset_v": 10}]
    driver = wav_driver()
    summary = watch(settings_in(tmp_path, driver, channels=channels))
    ((channel, value),) = rows(summary.database, "SELECT channel, value FROM event")
    assert channel == "L1"
    # 0.2 % of declared, and the 16 bit steps of 800 V are 2.4 V of mains here: 0.7 V rms of noise
    assert value == pytest.approx(0.6 * 230, abs=0.46 + 0.5)


def test_a_mark_left_in_the_spool_is_in_the_log(tmp_path: Path, runtime_directory: Path) -> None:
    marked_utc_s = time.time()
    write_mark(runtime_directory / SPOOL_NAME, Mark(marked_utc_s, "the press stopped"))
    settings = live(tmp_path, 2.5)
    watch(settings)
    ((start_utc, text),) = rows(
        settings.store.path, "SELECT start_utc, text FROM log WHERE kind = 'mark'"
    )
    assert text == "the press stopped"
    assert utc_seconds(start_utc) == pytest.approx(marked_utc_s, abs=0.002)  # kept to ms
    assert not list((runtime_directory / SPOOL_NAME).iterdir())
