"""`halfcycle compare`: does a conditioner do its work?"""

from collections import Counter
from pathlib import Path

import click

from daemon.archive import open_archive
from daemon.errors import InputError
from daemon.judge import is_serious
from daemon.page.words import NOTHING, duration_words, kind_words, what_words
from daemon.records import Kind
from tools.comparable import (
    SHORTEST_RATE_S,
    WEEK_S,
    caution_words,
    check_comparable,
    rate_words,
)
from tools.compare_words import (
    change_words,
    clock_doubt_words,
    clock_words,
    left_out_words,
    question_words,
    work_words,
)
from tools.comparison import (
    VOLTAGE_KINDS,
    Fate,
    Side,
    Simultaneous,
    compare_simultaneous,
    is_simultaneous,
    read_side,
)
from tools.correlation import Occurrence
from tools.edits import edit_lines
from tools.failure_options import parse_span
from tools.intervals import count_interval
from tools.text import event_time, table, terminal_width, wrapped
from tools.unjudged import count_unjudged, unjudged_words
from tools.verdicts import known_supplies


@click.command("compare")
@click.argument("first", metavar="A.db", type=click.Path(path_type=Path))
@click.argument("second", metavar="B.db", type=click.Path(path_type=Path))
@click.option(
    "--window", default="1s", show_default=True, metavar="T", help="How near the same event is."
)
@click.option("--profile", "profile_name", metavar="ID", help="Judge both by this one.")
@click.option(
    "--as", "relation", type=click.Choice(["auto", "in-out", "before-after"]), default="auto",
    show_default=True, help="A is the input and B the output, or A came before B.",
)  # fmt: skip
def command(
    first: Path, second: Path, window: str, profile_name: str | None, relation: str
) -> None:
    """Compare two watches: input and output of a conditioner, or before and after it came.

    Which of the two it is shows from the times: watches at the same time are input and output.

    A conditioner does its work where the 95 % interval of the share that it kept lies above one
    half and nothing came in ("mostly": something did). It does not where that interval lies below
    one half, or more came in than was kept. Else it cannot be said yet.
    """
    if first.resolve() == second.resolve():
        raise InputError(f"{first} is named twice")
    a, b = (read_side(path, open_archive(path), profile_name) for path in (first, second))
    if a.profile != b.profile and a.occurrences and b.occurrences:
        raise InputError(
            f"A was compared with {a.profile}, B with {b.profile}: give one for both with --profile"
        )
    check_comparable(a, b)
    unjudged = _unjudged(a, b, profile_name)  # unsaid, "none passed" would be an all-clear
    is_at_once = relation == "in-out" or (relation == "auto" and is_simultaneous(a, b))
    if is_at_once:
        lines = _simultaneous_lines(
            a, b, compare_simultaneous(a, b, parse_span("--window", window)), relation, unjudged
        )
    else:
        lines = _in_time_lines(a, b, relation, unjudged)
    edited = [text for side in (a, b) for text in edit_lines(side.archive, str(side.path))]
    lines = [*(line for text in edited for line in wrapped(text, terminal_width())), *lines]
    if rates := rate_words(a, b):
        lines += ["", *wrapped(rates, terminal_width())]
    click.echo("\n".join(lines))


def _unjudged(a: Side, b: Side, profile_name: str | None) -> str:
    counts = count_unjudged(a.archive, profile_name) + count_unjudged(b.archive, profile_name)
    of_voltage = Counter({kind: n for kind, n in counts.items() if kind in VOLTAGE_KINDS})
    supplies = [one for side in (a, b) for one in known_supplies(side.archive).values()]
    return unjudged_words(a.profile, of_voltage, supplies)


def _simultaneous_lines(
    a: Side, b: Side, found: Simultaneous, relation: str, unjudged: str
) -> list[str]:
    width = terminal_width()
    texts = [
        *clock_doubt_words(found),
        work_words(found, a),
        *([unjudged] if unjudged else []),
        *clock_words(found.clocks),
        *question_words(a, b, relation, is_at_once=True),
        *caution_words(a, b, is_at_once=True),
        *left_out_words(a, b),
        f"Common time: {duration_words(round(found.common_s))}.",
    ]
    lines = [line for text in texts for line in wrapped(text, width)]
    headings = ("From A to B", "All", "Passed the limit")
    rows = [
        (fate.value, str(found.count(fate)), str(found.count(fate, serious_only=True)))
        for fate in Fate
    ]
    n_bad = sum(is_serious(one.verdict) for one in found.added)
    rows.append(("added at B", str(len(found.added)), str(n_bad)))
    lines += ["", *table(headings, rows, headings[1:])]
    for one in found.travelled:
        if is_serious(one.at_a.verdict) or one.fate is Fate.WORSE:
            after = f", B: {_what(one.at_b, b)}" if one.at_b else ""
            text = f"- {one.fate.value}: {_what(one.at_a, a)}{after}"
            lines += wrapped(f"{text} ({event_time(one.at_a.worst.start_local)})", width)
    for extra in found.added:
        text = f"- added: {_what(extra, b)} ({event_time(extra.worst.start_local)})"
        lines += wrapped(text, width)
    whole = (
        f"Each watch as a whole, A of {duration_words(round(a.coverage.watched_s))} and B of "
        f"{duration_words(round(b.coverage.watched_s))}, also what the other could not see:"
    )
    return [*lines, "", *wrapped(whole, width), *_side_by_side(a, b)]


def _what(one: Occurrence, side: Side) -> str:
    return f"{side.monitors.mark(one.worst)}{what_words(one.worst, None)}"


def _in_time_lines(a: Side, b: Side, relation: str, unjudged: str) -> list[str]:
    width = terminal_width()
    first_s, second_s = a.coverage.watched_s, b.coverage.watched_s
    texts = [
        change_words(a, b),
        *([unjudged] if unjudged else []),
        *question_words(a, b, relation, is_at_once=False),
        *caution_words(a, b, is_at_once=False),
        f"A was watched for {duration_words(round(first_s))}, B for "
        f"{duration_words(round(second_s))}; other causes may have changed meanwhile as well.",
        *left_out_words(a, b),
    ]
    lines = [line for text in texts for line in wrapped(text, width)]
    return [*lines, "", *_side_by_side(a, b)]


def _side_by_side(a: Side, b: Side) -> list[str]:
    """Counts of both, and how many a week that is, with intervals."""
    at_a, at_b = _counts(a), _counts(b)
    first_s, second_s = a.coverage.watched_s, b.coverage.watched_s
    rows = [
        (name, str(at_a[name]), _rate(at_a[name], first_s), str(at_b[name]),
         _rate(at_b[name], second_s))
        for name in at_a
    ]  # fmt: skip
    headings = ("Events", "A", "A a week (95 %)", "B", "B a week (95 %)")
    return table(headings, rows, headings[1:])


def _counts(side: Side) -> dict[str, int]:
    found = {"passed the limit": sum(is_serious(one.verdict) for one in side.occurrences)}
    for kind in Kind:
        if kind in VOLTAGE_KINDS:
            count = sum(one.worst.kind is kind for one in side.occurrences)
            found[kind_words(kind)] = count
    return found


def _rate(count: int, watched_s: float) -> str:
    if watched_s < SHORTEST_RATE_S:
        return NOTHING
    low, high = count_interval(count)
    rate, least, most = (f"{_plain(n / watched_s * WEEK_S)}" for n in (float(count), low, high))
    return f"{rate} ({least} to {most})"


def _plain(rate: float) -> str:
    """Two figures that count, without a power of ten."""
    return f"{rate:.2g}" if rate < 10 else f"{rate:.0f}"
