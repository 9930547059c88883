"""Fuzzing: wrong files made from good ones, and what has to hold when a program is given one.

Every case is made from a seed, its kind and its number alone. A failure names all three; to see one
again, set HALFCYCLE_FUZZ_SEED and call `case_dice` with the same kind and number.
"""

import hashlib
import os
import random
import re
import resource
import shutil
import signal
import time
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

import yaml
from click.testing import CliRunner

from daemon.errors import InputError, StoreError
from drivers.errors import OptionError, SourceFailed, SourceUnavailable
from tests.survival_material import Proof
from tools.cli import main

SEED = int(os.environ.get("HALFCYCLE_FUZZ_SEED", "1"))
REFUSALS = (InputError, StoreError, OptionError, SourceFailed, SourceUnavailable)
MOST_CPU_S = 10.0  # of one case; good files of these sizes take less than a tenth of it
MOST_WALL_S = 60.0  # a case that waits for something that never comes
MOST_EXTRA_BYTES = 1_500_000_000  # of address space, of which threads and maps reserve much
MOST_GROWTH_KB = 200_000  # of resident memory, by one case
LONGEST_LINE = 700  # of a refusal; a path may take half of it
MOST_LINES = 70

# ruff: noqa: E501 - tables of odd things
ODD_VALUES: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 1e308, -1e308, float("nan"), float("inf"), -0.0, 10**400, 2**63,
    5e-324, "", " ", "\x00", "a\x1b[2J", "=1+1", "<script>", "\u202e", "\ud800\udc00", "é" * 300,
    "x" * 5000, [], {}, [[]], [None], {"a": None}, [1] * 2000, "2026-13-45", "1e999", "NaN",
    ".inf", "../../../../etc/passwd", "/dev/zero", "/proc/self/mem", "~root", "%s%n", "null",
)  # fmt: skip
ODD_TEXTS: tuple[bytes, ...] = (
    b"\x00", b"\x00" * 64, b"\xff\xfe", b"\xef\xbb\xbf", b"\x1b[2J", b"\xe2\x80\xae", b"\xed\xa0\x80",
    b"nan", b"inf", b"-inf", b"1e999", b"-1", b"0", b"99999999999999999999", b"9" * 5000,
    b"4294967296", b"2147483648", b"65536", b"32768", b",,,,", b";", b"\t", b"'", b'"', b"\r", b"\n",
    b"\r\n\r\n", b"x" * 20_000, b"[" * 3000, b"{" * 3000, b"- " * 3000, b"&a ", b"*a", b"!!python/",
    b"<<: *a", b"---\n", b"%YAML 9.9\n", b"? ", b"#", b"\\", b"0x7fffffff", b"1_000", b"12:30:45",
    b"\xf0\x9f\x92\xa1", b"\x85", b"\xe2\x80\xa8",
)  # fmt: skip
LAUGHS = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{after}: &{after} [{','.join([f'*{before}'] * 9)}]\n"
    for before, after in zip("abcdefgh", "bcdefghi", strict=True)
)
YAML_BOMBS = (
    LAUGHS, "a: &a {b: *a}\n", "a: " + "[" * 20_000, "a: " + "{a: " * 5000, "? " * 5000,
    "a:\n" + "".join(" " * n + "- a:\n" for n in range(1, 600)), "a: !!python/object/apply:os.abort []\n",
    "a: !!binary " + "A" * 50_000, "a: 1" + "0" * 100_000, "a: 1:" + "59:" * 3000 + "1\n",
    "\t\t\ta: b", "a: |\n" + "  x\n" * 5000, "a: b\n" * 5000, "- " * 5000, "a: 0b" + "1" * 50_000,
    "".join(f"k{n}: {n}\n" for n in range(5000)), "'" + "x" * 200_000, "\ufeff\ufeffa: 1\n", "a: 2026-02-30",
)  # fmt: skip
_NUMBER = re.compile(rb"-?\d+(?:\.\d+)?")


class Hang(BaseException):
    """The case took too long. No `except` of the product may catch it."""


def case_dice(kind: str, number: int) -> random.Random:
    """The dice of one case: the same at each run of the same seed."""
    return random.Random(f"{SEED}/{kind}/{number}")


def wrong_bytes(sample: bytes, dice: random.Random) -> bytes:
    """A file with one to four faults in it."""
    for _ in range(dice.choice((1, 1, 2, 4))):
        sample = dice.choice(_FAULTS)(sample, dice)
    return sample


def _flip(data: bytes, dice: random.Random) -> bytes:
    found = bytearray(data or b"\0")
    for _ in range(dice.choice((1, 1, 2, 8, 64))):
        found[dice.randrange(len(found))] ^= 1 << dice.randrange(8)
    return bytes(found)


def _cut(data: bytes, dice: random.Random) -> bytes:
    return data[: dice.randint(0, len(data))]


def _remove(data: bytes, dice: random.Random) -> bytes:
    start = dice.randint(0, len(data))
    return data[:start] + data[start + dice.choice((1, 2, 4, 16, 100)) :]


def _repeat(data: bytes, dice: random.Random) -> bytes:
    start = dice.randint(0, len(data))
    part = data[start : start + dice.choice((1, 4, 16, 200))]
    return data[:start] + part * dice.choice((2, 3, 200)) + data[start:]


def _insert(data: bytes, dice: random.Random) -> bytes:
    start = dice.randint(0, len(data))
    return data[:start] + dice.choice(ODD_TEXTS) + data[start:]


def _overwrite(data: bytes, dice: random.Random) -> bytes:
    """A whole word of a binary header at once: all ones, all noughts, or by chance."""
    start, length = dice.randint(0, len(data)), dice.choice((1, 2, 4, 8))
    word = dice.choice((b"\xff" * length, b"\0" * length, dice.randbytes(length)))
    return data[:start] + word + data[start + length :]


def _number(data: bytes, dice: random.Random) -> bytes:
    places = list(_NUMBER.finditer(data[:20_000]))
    if not places:
        return _flip(data, dice)
    place = dice.choice(places)
    return data[: place.start()] + dice.choice(ODD_TEXTS) + data[place.end() :]


def _lines(data: bytes, dice: random.Random) -> bytes:
    """A line lost, twice, or at another place."""
    lines = data.split(b"\n")
    line = lines.pop(dice.randrange(len(lines)))
    for _ in range(dice.choice((0, 1, 2))):
        lines.insert(dice.randint(0, len(lines)), line)
    return b"\n".join(lines)


_FAULTS = (_flip, _cut, _remove, _repeat, _insert, _overwrite, _number, _lines)


def wrong_tree(sample: Any, dice: random.Random) -> Any:
    """Plain tables and lists with one to three keys lost, renamed, or holding something else."""
    tree = deepcopy(sample)
    for _ in range(dice.choice((1, 1, 2, 3))):
        holder, key = dice.choice(list(_places(tree)) or [({"": None}, "")])
        what = dice.randrange(6)
        if what == 0:
            del holder[key]
        elif what == 1 and isinstance(holder, dict):
            holder[str(dice.choice(ODD_VALUES))[:200]] = holder.pop(key)
        elif what == 2:
            holder[key] = _nested(holder[key], dice.choice((1, 5, 30)))
        elif what == 3 and isinstance(holder[key], list):
            holder[key] = holder[key] * dice.choice((2, 50))
        else:
            holder[key] = deepcopy(dice.choice(ODD_VALUES))
    return tree


def _places(tree: Any) -> Iterator[tuple[Any, Any]]:
    pairs = tree.items() if isinstance(tree, dict) else enumerate(tree)
    for key, value in pairs:
        yield tree, key
        if isinstance(value, dict | list):
            yield from _places(value)


def _nested(value: Any, depth: int) -> Any:
    for _ in range(depth):
        value = [value] if depth % 2 else {"a": value}
    return value


def wrong_yaml(sample: str, dice: random.Random) -> bytes:
    """A YAML file: with wrong values, with wrong letters, or one that is made to hurt."""
    way = dice.random()
    if way < 0.45:
        tree = wrong_tree(yaml.safe_load(sample), dice)
        return yaml.safe_dump(tree, allow_unicode=True).encode("utf-8", "surrogatepass")
    if way < 0.95:
        return wrong_bytes(sample.encode(), dice)
    return (dice.choice((sample, "")) + dice.choice(YAML_BOMBS)).encode()


@dataclass(slots=True)
class Trials:
    """Cases of one kind: each is refused in plain words or accepted, and writes nothing."""

    kind: str
    folder: Path
    proof: Proof = field(init=False)
    accepted: int = 0
    refused: int = 0

    def __post_init__(self) -> None:
        self.proof = Proof(f"fuzzing: {self.kind}")

    def call(self, number: int, action: Callable[[], object], names: str = "") -> None:
        """A function that reads a file; `names` is what a refusal has to mention."""

        def look() -> list[str]:
            try:
                action()
            except REFUSALS as error:
                self.refused += 1
                return _words_faults(str(error), names)
            self.accepted += 1
            return []

        self._case(number, look)

    def command(self, number: int, words: str, names: str = "", may_write: str = "") -> None:
        """A command line, run in this process."""

        def look() -> list[str]:
            result = CliRunner().invoke(main, words.split(), prog_name="halfcycle")
            found = [] if result.exit_code in (0, 2, 3) else [f"exit {result.exit_code}"]
            if result.exception and not isinstance(result.exception, SystemExit):
                found.append("".join(traceback.format_exception(result.exception)[-4:]))
            if result.exit_code == 0:
                self.accepted += 1
            elif not result.stdout and not found:
                self.refused += 1
                found += _words_faults(result.stderr.rstrip("\n"), names)
            obeyed = {letter for letter in result.output if letter not in "\n\t\r"
                      and not letter.isprintable()}  # fmt: skip
            found += [f"letters a terminal obeys: {obeyed}"] if obeyed else []
            return found

        self._case(number, look, words, may_write)

    def settle(self, *, some_accepted: bool = False) -> None:
        """Note the row; a fuzzer that never is refused, or always, does not reach the product."""
        is_few = self.proof.times < 20
        assert self.refused > 0 or is_few
        assert self.accepted > 0 or is_few or not some_accepted
        self.proof.settle()

    def _case(
        self, number: int, look: Callable[[], list[str]], words: str = "", may_write: str = ""
    ) -> None:
        before = state_of(self.folder)
        peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        began_s = time.process_time()
        try:
            with bounded():
                faults = look()
        except Hang:
            faults = [f"hangs: {traceback.format_exc(limit=-3)}"]
        except (Exception, RecursionError) as error:  # noqa: BLE001 - that there is none is tested
            faults = ["".join(traceback.format_exception(error)[-6:])]
        took_s = time.process_time() - began_s
        faults += [f"took {took_s:.1f} s"] if took_s > MOST_CPU_S else []
        grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - peak_kb
        faults += [f"took {grown_kb} KB more"] if grown_kb > MOST_GROWTH_KB else []
        if may_write:
            remove_beginning(self.folder, may_write)
        after = state_of(self.folder)
        faults += [f"wrote {set(after.items()) ^ set(before.items())}"] if after != before else []
        self.proof.times += 1
        case = f"seed {SEED}, {self.kind}, case {number} {words}"
        self.proof.check(not faults, f"{case}: {faults}")


def _words_faults(text: str, names: str) -> list[str]:
    """A refusal is short, says of which file it speaks, and cannot be obeyed by a terminal."""
    lines = text.split("\n")
    found = [f"does not name {names}: {text[:200]!r}"] if names not in text else []
    if not all(line.isprintable() for line in lines):
        found.append(f"letters that do not print: {text[:300]!r}")
    if len(lines) > MOST_LINES or max(map(len, lines)) > LONGEST_LINE:
        found.append(f"{len(lines)} lines, the longest of {max(map(len, lines))}: {text[:300]!r}")
    if not text.strip() or "Traceback" in text:
        found.append(f"no sentence: {text[:200]!r}")
    return found


def state_of(folder: Path) -> dict[str, str]:
    """Every file and folder, with what is in it."""
    return {
        str(path.relative_to(folder)): (
            hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        )
        for path in sorted(folder.rglob("*"))
    }


def remove_beginning(folder: Path, name: str) -> None:
    """What a command was told to write."""
    for path in folder.glob(f"{name}*"):
        shutil.rmtree(path) if path.is_dir() else path.unlink()


@contextmanager
def bounded() -> Iterator[None]:
    """No more processor time, time and memory than any such case may take."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise Hang

    before = {number: signal.getsignal(number) for number in _TAKEN}
    limits = resource.getrlimit(resource.RLIMIT_AS)
    in_use = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (in_use + MOST_EXTRA_BYTES, limits[1]))
    signal.signal(signal.SIGALRM, stop)
    signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_REAL, MOST_WALL_S)
    signal.setitimer(signal.ITIMER_PROF, MOST_CPU_S)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.setitimer(signal.ITIMER_PROF, 0)
        resource.setrlimit(resource.RLIMIT_AS, limits)
        for number, handler in before.items():
            signal.signal(number, handler)


_TAKEN = (signal.SIGALRM, signal.SIGPROF, signal.SIGTERM, signal.SIGINT)
