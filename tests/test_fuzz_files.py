"""Fuzzing of files that people and other programs hand over: refused in plain words, or accepted.

A few cases of each kind always, thousands with `-m soak`. See tests/fuzz_material.py for the rules.
"""

# ruff: noqa: E501

import hashlib
import json
import zlib
from collections.abc import Callable
from contextlib import closing
from functools import partial
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.archive import EventFilter, open_archive
from daemon.calibration import Calibration, load_calibration, write_calibration
from daemon.comtrade_writer import DataType, Flavour, Revision, comtrade_files, comtrade_single_file
from daemon.equipment import load_equipment
from daemon.event_record import event_records
from daemon.profiles import load_profile
from daemon.rescue import read_rescue
from daemon.rescue_files import take_back_all
from daemon.settings import load_settings
from daemon.spool import Mark, read_spool, write_mark
from daemon.status import read_snapshot, write_snapshot
from daemon.store import Store
from drivers.clock import ManualClock
from drivers.comtrade_file import ComtradeReader
from drivers.reader import Reader
from drivers.scenario import load_scenario
from drivers.wav import WavReader
from tests.after_watch_material import fill
from tests.database_material import START_UTC_S
from tests.fuzz_material import Trials, case_dice, wrong_bytes, wrong_tree, wrong_yaml
from tests.page_material import plausible_snapshot
from tests.test_calibration import entry
from tests.test_rescue import Desk
from tests.whole_material import halfcycle, mains, raw_config, wav_driver, write_config, write_wav
from tools.failure_log import Reading, read_failures
from tools.failure_options import parse_zone

CONFIG = Path(__file__).resolve().parent.parent / "config"
MANY = pytest.mark.soak
CSV = (
    "time;machine;text\n25.11.2026 08:15:33;oven;stopped\n26.11.2026 09:00:01,5;oven;=1+1\n",
    "2026-11-25T08:15:33+01:00,oven\n2026-11-25T09:15:33Z,oven\n",
    "# log\nDate\tTime\tWhat\n11/25/2026\t8:15:33 AM\tstopped\n",
    "1795590933\n1795590934123\n",
    "Nov 25 08:15:33,oven\n[25/Nov/2026:08:15:34 +0100],oven\n2026-W48-3 08:15:35 CET,oven\n",
    "25.11.26;08:15:33;oven\n13.11.30;08:15:33;oven\n",
    "Nov 25 08:15:33 oven psu: off\n[Wed Nov 25 08:15:34 2026] usb 1-1: reset\n",
)


def few_and_many(few: int, many: int) -> pytest.MarkDecorator:
    """The first cases always, all of them in the long run."""
    return pytest.mark.parametrize("n_cases", [few, pytest.param(many, marks=MANY)])


def sample_yaml(kind: str) -> tuple[str, ...]:
    if kind == "profile":
        return tuple(path.read_text() for path in sorted((CONFIG / "profiles").glob("*.yaml")))
    if kind == "scenario":
        return tuple(path.read_text() for path in sorted((CONFIG / "scenarios").glob("*.yaml")))
    if kind == "equipment":
        return ((CONFIG / "equipment.example.yaml").read_text(),)
    wav = yaml.safe_dump(raw_config(wav_driver()))
    return ((CONFIG / "site.example.yaml").read_text(), (CONFIG / "demo.yaml").read_text(), wav)


YAML_READERS: dict[str, Callable[[Path], object]] = {
    "configuration": load_settings,
    "profile": load_profile,
    "equipment": load_equipment,
    "scenario": load_scenario,
}


@few_and_many(30, 2000)
@pytest.mark.parametrize("kind", YAML_READERS)
def test_yaml(kind: str, n_cases: int, tmp_path: Path) -> None:
    samples, path = sample_yaml(kind), tmp_path / f"{kind}.yaml"
    trials = Trials(f"{kind} (YAML)", tmp_path)
    for number in range(n_cases):
        dice = case_dice(kind, number)
        path.write_bytes(wrong_yaml(dice.choice(samples), dice))
        trials.call(number, lambda: YAML_READERS[kind](path), path.name)
    trials.settle()


@few_and_many(40, 2000)
def test_calibration(n_cases: int, tmp_path: Path) -> None:
    path = tmp_path / "calibration.yaml"
    write_calibration(path, Calibration().with_channel(entry()), START_UTC_S)
    sample = path.read_text()
    trials = Trials("calibration (YAML)", tmp_path)
    for number in range(n_cases):
        path.write_bytes(wrong_yaml(sample, case_dice("calibration", number)))
        trials.call(number, lambda: load_calibration(path), path.name)
    trials.settle()


@few_and_many(60, 2000)
def test_failure_log(n_cases: int, tmp_path: Path) -> None:
    path, zone = tmp_path / "failures.csv", parse_zone("Europe/Vienna")
    trials = Trials("failure log (CSV)", tmp_path)
    for number in range(n_cases):
        dice = case_dice("csv", number)
        path.write_bytes(wrong_bytes(dice.choice(CSV).encode(), dice))
        reading = Reading(dice.choice((zone, None)), dice.choice((True, None)))
        watch = dice.choice(((1.79e9, 1.80e9), None))
        trials.call(number, partial(read_failures, path, reading, watch), path.name)
    trials.settle(some_accepted=True)


def read_all(reader: Reader) -> None:
    """As the recording driver does: block by block, to the end."""
    with closing(reader):
        n_left = reader.contents.n_samples
        while n_left > 0 and (n_read := len(reader.read_v(min(n_left, 65_536)))):
            n_left -= n_read


@few_and_many(60, 4000)
def test_wav(n_cases: int, tmp_path: Path) -> None:
    path = tmp_path / "a.wav"
    sample = write_wav(path, mains(0.1)).read_bytes()
    trials = Trials("recording (WAV)", tmp_path)
    for number in range(n_cases):
        dice = case_dice("wav", number)
        head = wrong_bytes(sample[:60], dice)  # most of it is samples, of which any is right
        path.write_bytes(dice.choice((head + sample[60:], wrong_bytes(sample, dice))))
        trials.call(number, lambda: read_all(WavReader(path, 800.0)), path.name)
    trials.settle(some_accepted=True)


def comtrade_samples(folder: Path) -> list[dict[str, bytes]]:
    """The same record in every form that we write, as the files by their endings."""
    fill(folder / "events.db")
    archive = open_archive(folder / "events.db")
    record = event_records(archive, archive.events(EventFilter(newest_first=False))[0])[0]
    found = []
    for revision, data in ((Revision.OLD, DataType.ASCII), (Revision.OLD, DataType.BINARY),
                           (Revision.NEW, DataType.FLOAT32)):  # fmt: skip
        files = comtrade_files(record, Flavour(revision, data))
        found.append({".cfg": files.cfg, ".dat": files.dat})
    found += [{".cff": comtrade_single_file(record, data)}
              for data in (DataType.ASCII, DataType.BINARY)]  # fmt: skip
    (folder / "events.db").unlink()
    return found


@few_and_many(80, 4000)
def test_comtrade(n_cases: int, tmp_path: Path) -> None:
    samples = comtrade_samples(tmp_path)
    trials = Trials("recording (COMTRADE)", tmp_path)
    for number in range(n_cases):
        dice = case_dice("comtrade", number)
        files = dict(dice.choice(samples))
        ending = dice.choice((".cff" if ".cff" in files else ".cfg", *files))
        if ending == ".cff" and dice.random() < 0.7:  # its configuration, not its many samples
            files[ending] = wrong_bytes(files[ending][:900], dice) + files[ending][900:]
        else:
            files[ending] = wrong_bytes(files[ending], dice)
        for old in tmp_path.iterdir():
            old.unlink()
        for name, content in files.items():
            (tmp_path / f"r{name}").write_bytes(content)
        path = tmp_path / ("r.cff" if ".cff" in files else "r.cfg")
        trials.call(number, lambda path=path: read_all(ComtradeReader(path)), "r.")  # type: ignore[misc]
    trials.settle(some_accepted=True)


@few_and_many(60, 3000)
def test_status(n_cases: int, tmp_path: Path) -> None:
    """Nobody is told of a snapshot that cannot be read but that there is none."""
    path = tmp_path / "status.json"
    write_snapshot(path, plausible_snapshot())
    sample = path.read_bytes()
    trials = Trials("status snapshot", tmp_path)
    for number in range(n_cases):
        dice = case_dice("status", number)
        tree = json.dumps(wrong_tree(json.loads(sample), dice)).encode()
        path.write_bytes(dice.choice((tree, wrong_bytes(sample, dice))))
        trials.call(number, lambda: read_snapshot(path))
    trials.refused = 1  # by None
    trials.settle(some_accepted=True)


@few_and_many(60, 3000)
def test_spool(n_cases: int, tmp_path: Path) -> None:
    """What is no mark is thrown away; nothing else is written."""
    spool = tmp_path / "spool"
    write_mark(spool, Mark(START_UTC_S, "it stopped"))
    (good,) = spool.iterdir()
    sample = good.read_bytes()
    trials = Trials("spool file", tmp_path / "spool")
    for number in range(n_cases):
        dice = case_dice("spool", number)
        tree = json.dumps(wrong_tree(json.loads(sample), dice)).encode()
        content = dice.choice((tree, wrong_bytes(sample, dice)))

        def read(content: bytes = content) -> None:
            good.write_bytes(content)
            for mark in read_spool(spool):
                is_plain = mark.text.isprintable() and len(mark.text) <= 500
                trials.proof.check(is_plain, repr(mark.text))

        good.unlink(missing_ok=True)
        trials.call(number, read)
    trials.refused = 1  # by being thrown away
    trials.settle(some_accepted=True)


def left_over(folder: Path) -> tuple[Path, Path, bytes]:
    """A database whose last run could not write its end, and the rescue file it left."""
    with closing(Desk(folder, ManualClock())) as desk:
        desk.put(1)
        desk.refuse()
        desk.put(2)
        with pytest.raises(OSError, match="kept in"):
            desk.journal.end(is_orderly=True)
    return desk.path, desk.rescue, desk.rescue.read_bytes()


@few_and_many(25, 1000)
def test_rescue(n_cases: int, tmp_path: Path) -> None:
    """Read, and taken by a database where it can be read; the row written is one that reads."""
    database, path, sample = left_over(tmp_path)
    kept = {file: file.read_bytes() for file in tmp_path.rglob("*") if file.is_file()}
    trials = Trials("rescue file", tmp_path / "none")
    for number in range(n_cases):
        for file, content in kept.items():
            file.write_bytes(content)
        dice = case_dice("rescue", number)
        body = zlib.decompress(sample.partition(b"\n")[2])
        tree = json.dumps(wrong_tree(json.loads(body), dice)).encode()
        inner = zlib.compress(dice.choice((tree, tree, wrong_bytes(body, dice))))
        head = f"halfcycle-rescue 1 {hashlib.sha256(inner).hexdigest()}\n".encode()
        path.write_bytes(dice.choice((head + inner, head + inner, wrong_bytes(sample, dice))))
        trials.call(number, lambda: read_rescue(path), path.name)
        trials.call(number, lambda: started_again(database, path))
        for left in path.parent.iterdir():
            left.unlink()
    trials.settle(some_accepted=True)


def started_again(database: Path, path: Path) -> None:
    """As at the next start; afterwards everything in the database can be read."""
    with closing(Store(database, "UTC")) as store:
        take_back_all(store, [path])
    archive = open_archive(database)
    archive.events(EventFilter())
    archive.log()
    archive.chain()
    for event in archive.events(EventFilter()):
        archive.trace(event.id)
        archive.waveforms(event.id)


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20) | st.dates(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)  # fmt: skip


@pytest.mark.parametrize("kind", YAML_READERS)
def test_yaml_of_any_structure(kind: str, tmp_path: Path) -> None:
    """Known keys with any value of any structure (hypothesis)."""
    path = tmp_path / f"{kind}.yaml"
    keys = sorted(yaml.safe_load(sample_yaml(kind)[0]))
    trials = Trials(f"{kind} (YAML) of any structure", tmp_path)

    @settings(max_examples=20, deadline=None, derandomize=True, database=None,
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(st.dictionaries(st.sampled_from(keys) | st.text(max_size=8), PLAIN, max_size=6))
    def check(tree: dict[str, Any]) -> None:
        path.write_text(yaml.safe_dump(tree, allow_unicode=True), "utf-8", "surrogatepass")
        trials.call(trials.proof.times, lambda: YAML_READERS[kind](path), path.name)

    check()
    trials.settle()


END_TO_END = {
    "measure -c site.yaml": "site.yaml",
    "monitor -c site.yaml --no-page": "site.yaml",
    "profiles check mine.yaml": "mine.yaml",
}


@pytest.mark.parametrize(
    "n_cases", [pytest.param(1, id="few"), pytest.param(20, marks=MANY, id="many")]
)
@pytest.mark.parametrize("words", END_TO_END)
def test_the_same_from_a_shell(words: str, n_cases: int, tmp_path: Path) -> None:
    """A process of its own: only wrong files are given, so nothing may be written or printed."""
    write_wav(tmp_path / "a.wav", mains(0.2))
    good = write_config(tmp_path, wav_driver(), wrong=1).read_text()
    if "profiles" in words:
        good = f"{sample_yaml('profile')[0]}\nwrong: 1\n"
    trials = Trials("files, in processes of their own", tmp_path)
    for number in range(n_cases):
        content = wrong_yaml(good, case_dice(words, number)) + b"\nwrong: 1\n"
        (tmp_path / END_TO_END[words]).write_bytes(content)

        def run() -> None:
            done = halfcycle(*words.split(), cwd=tmp_path)
            trials.proof.check(done.returncode == 2, f"{words}: {done}")
            trials.proof.check(done.stdout == "", f"{words}: {done.stdout[:200]}")
            trials.proof.check("Traceback" not in done.stderr, done.stderr[-500:])

        trials.call(number, run)
    trials.refused = 1  # by the exit status
    trials.settle()
