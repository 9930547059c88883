"""`halfcycle correlate`: the equipment's own failures against the events."""

from datetime import tzinfo
from pathlib import Path

import click

from daemon.archive import Archive, EventRow, open_archive
from daemon.errors import InputError
from daemon.page.words import verdict_words, what_words
from tools.correlation import Correlation, Question, correlate, read_marks
from tools.coverage import Coverage, site_coverage
from tools.edits import edit_lines
from tools.failure_log import Failure, Reading, read_failures
from tools.failure_options import parse_span, reading_options
from tools.lag_words import lag_words
from tools.monitors import Monitors
from tools.probability import probability_words
from tools.site import find_site
from tools.supply_or_machine import all_words, answer_words
from tools.text import (
    clean,
    event_time,
    moment_words,
    plural,
    terminal_width,
    wrapped,
)

MOST_SHOWN = 20
NEAR_ZONE_S = 60.0  # clocks are seldom wrong by more; zones differ by half hours


@click.command("correlate")
@click.argument("db", type=click.Path(path_type=Path))
@click.argument("failures", type=click.Path(path_type=Path), required=False)
@click.option(
    "--window", metavar="T",
    help="How near is near: 500ms, 2min. [default: 5s; 1min for whole minutes, 2min for marks]",
)  # fmt: skip
@click.option("--profile", "profile_name", metavar="ID", help="Judge by this one instead.")
@click.option("--all", "show_all", is_flag=True, help="Also events within the limits.")
@reading_options
def command(
    reading: Reading,
    db: Path,
    failures: Path | None,
    window: str | None,
    profile_name: str | None,
    show_all: bool,
) -> None:
    """Hold the times at which the equipment failed against the events.

    The file is CSV, or has lines that begin with a time, as logs of computers do. Without a file,
    the marks that were set on the monitor are taken for failures.
    """
    archive = open_archive(db)
    coverage = coverage_of(db, archive)
    watch = coverage.since_utc_s, coverage.until_utc_s
    log = read_marks(db, archive) if failures is None else read_failures(failures, reading, watch)
    window_s = None if window is None else parse_span("--window", window)
    found = correlate(db, archive, log, coverage, Question(window_s, profile_name, not show_all))
    width, site_zone = terminal_width(), find_site(archive).zone
    texts = [*edit_lines(archive), *answer_lines(found)]
    lines = [line for text in texts for line in wrapped(text, width)]
    click.echo("\n".join(lines + _details(found, site_zone, width)))


def coverage_of(db: Path, archive: Archive) -> Coverage:
    """The watch of all monitors in a database.

    :raises InputError: nothing was ever watched.
    """
    coverage = site_coverage(archive)
    if coverage is None:
        raise InputError(f"{db}: nothing was watched: there is nothing to compare with")
    return coverage


def answer_lines(found: Correlation, *, with_options: bool = True) -> list[str]:
    """The answer in sentences, the first one first; what it does not rest on comes after it.

    :param with_options: also how to ask again; not for a reader who asked nothing.
    """
    compared = f" (compared with {found.profile})" if found.serious_only else ""
    lines = [match_words(found, compared)]
    if found.serious_only and found.failures:
        lines.append(answer_words(found))
    lines.append(found.unjudged)
    if found.pairs:
        lines.append(_chance_words(found))
    if found.offset is not None:
        lines.append(_offset_words(found) + (f" {way_out(found)}" if with_options else ""))
    return [*filter(None, lines), *(f"Note: {text}." for text in found.assumptions)]


def match_words(found: Correlation, compared: str = "") -> str:
    """How many of all failures lie near an event, and how likely that is by chance.

    :param compared: with what the events were compared, where that is to be said.
    """
    n_all, n_pairs = found.n_all, len(found.pairs)
    if not n_all:
        return "There is no failure in the log."
    if not found.failures:
        who = "The failure lies" if n_all == 1 else f"{all_words(n_all).capitalize()} lie"
        return (
            f"{who} in time that was not watched: whether the supply was to blame, this watch "
            "cannot say."
        )
    aside = _aside_words(found)
    if not found.occurrences:
        which = " that passed the limit" if found.serious_only else ""
        return f"{plural(n_all, 'failure').capitalize()}, but no event{which}{compared}{aside}."
    what = "an event that passed the limit" if found.serious_only else "an event"
    near = f"{found.near_words} {what}{compared}"
    if n_pairs:
        many = f"{n_pairs} of {n_all} failures {'lies' if n_pairs == 1 else 'lie'}"
        many = "The failure lies" if n_all == 1 else many
        return f"{many} {near}; by chance {probability_words(found.chance.probability)}{aside}."
    none = "The failure does not lie" if n_all == 1 else f"None of {n_all} failures lies"
    coarse = ", but its times are too coarse to tell" if found.is_too_coarse else ""
    return f"{none} {near}{coarse}{aside}."


def _aside_words(found: Correlation) -> str:
    n_aside = len(found.unwatched)
    if not n_aside:
        return ""
    verb, them = ("lies", "it") if n_aside == 1 else ("lie", "them")
    which = f"{n_aside} of them {verb} in time that was not watched"
    return f"; {which}: nothing can be said of {them}"


def _chance_words(found: Correlation) -> str:
    return (
        f"By chance means: with the failures shifted together by any time within the watch, so "
        f"many or more match in {probability_words(found.chance.probability)} of all shifts "
        f"({found.chance.method}); in the mean {found.chance.expected:.2g} match. Where failures "
        "and events both keep working hours, chance is likelier than that."
    )


def _offset_words(found: Correlation) -> str:
    assert found.offset is not None
    offset, total_s = found.offset, found.taken_s + found.offset.offset_s
    side = "ahead of" if total_s > 0 else "behind"
    n_now = f"{offset.n_now} do" if offset.n_now > 1 else f"{offset.n_now or 'none'} does"
    return (
        f"Clocks: the failures' clock seems to be {_seconds_words(abs(total_s))} {side} "
        f"the monitor's: {offset.n_agreeing} failures then agree to ±{offset.spread_s:.1f} s, "
        f"as they stand {n_now}; by chance {probability_words(offset.probability)} "
        f"(300 draws of random times)."
    )


def way_out(found: Correlation) -> str:
    """What to give next time; a step of half hours is rather a zone than a clock."""
    assert found.offset is not None
    total_s = found.taken_s + found.offset.offset_s
    if found.taken_s and abs(total_s) <= found.window_s:
        return f"Leave out --offset: {_seconds_words(abs(total_s))} is within --window."
    instead = f" (instead of {found.taken_s:g}s)" if found.taken_s else ""
    way = f"To take it out: --offset {total_s:.1f}s{instead}"
    half_hours = round(abs(total_s) / 1800.0)
    if half_hours and abs(abs(total_s) - half_hours * 1800.0) <= NEAR_ZONE_S:
        return f"That is about {half_hours / 2:g} h: is the zone right (--zone)? {way}"
    return way


def _seconds_words(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 600 else f"{seconds:.0f} s ({seconds / 3600:.2f} h)"


def _details(found: Correlation, zone: tzinfo, width: int) -> list[str]:
    lines: list[str] = []
    if found.pairs:
        lines += ["", f"Failures with an event near them: {len(found.pairs)}"]
        for number in range(len(found.pairs)):
            moment, lag, event_id, what = pair_cells(found, number, zone)
            lines += wrapped(
                clean(f"- {moment}, {lag} the start of event {event_id}, {what}"), width
            )
    lines += _listed("Failures in time that was not watched", aside_words(found, zone), width)
    unmatched = found.unmatched_failures
    lines += _listed("Failures without an event near them", _failure_words(unmatched, zone), width)
    if not found.failures:
        return lines  # of no event can it be said that no failure was near
    lonely = [lonely_words(one.worst, found.monitors) for one in found.unmatched_occurrences]
    return lines + _listed(lonely_title(found), lonely, width)


def aside_words(found: Correlation, zone: tzinfo) -> list[str]:
    """Each failure of which nothing can be said, and why."""
    failures = _failure_words(list(found.unwatched), zone)
    return [f"{words} ({why})" for words, why in zip(failures, found.unwatched_why, strict=True)]


def lonely_title(found: Correlation, what: str = "Events") -> str:
    """What heads the events without a failure; those that were set aside were not looked at."""
    if not found.unwatched:
        return f"{what} without a failure near them"
    n_aside = plural(len(found.unwatched), "failure")
    return f"{what} without a counted failure near them ({n_aside} set aside)"


def pair_cells(found: Correlation, number: int, zone: tzinfo) -> tuple[str, str, str, str]:
    """One matched pair: the failure, its lag, the event's number, and what it was."""
    pair = found.pairs[number]
    failure, occurrence = found.failures[pair.moment], found.occurrences[pair.span]
    what = (
        f"{found.monitors.mark(occurrence.worst)}{what_words(occurrence.worst, None)}: "
        f"{verdict_words(occurrence.verdict)}"
    )
    moment = f"{moment_words(failure.utc_s, zone)} {failure.note}".strip()
    return moment, lag_words(pair.lag_s), str(occurrence.worst.id), what


def lonely_words(event: EventRow, monitors: Monitors) -> str:
    """An event without a failure near it."""
    what = f"{monitors.mark(event)}{what_words(event, None)}"
    return f"event {event.id}, {what}, {event_time(event.start_local)}"


def _failure_words(failures: list[Failure], zone: tzinfo) -> list[str]:
    return [f"{moment_words(one.utc_s, zone)} {one.note}".strip() for one in failures]


def _listed(title: str, texts: list[str], width: int) -> list[str]:
    if not texts:
        return []
    shown = [line for text in texts[:MOST_SHOWN] for line in wrapped(f"- {clean(text)}", width)]
    more = [f"- and {len(texts) - MOST_SHOWN} more"] if len(texts) > MOST_SHOWN else []
    return ["", f"{title}: {len(texts)}", *shown, *more]
