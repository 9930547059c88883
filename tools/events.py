"""`halfcycle events`: what happened, the serious part of it first of all."""

import csv
import io
import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import wraps
from pathlib import Path
from typing import Any

import click

from daemon.appraise import URGENT
from daemon.archive import JSON_KEYS, SERIOUS, Archive, EventFilter, EventRow, open_archive
from daemon.errors import InputError
from daemon.page.words import duration_words, kind_words
from daemon.records import Kind, Verdict
from daemon.recurrence import ADVICE, find_repetition
from drivers.clock import SystemClock
from tools.event_lines import event_lines
from tools.event_table import Seen, event_table
from tools.monitors import Monitor, Monitors
from tools.site import Site, find_open_run, find_site, find_watched
from tools.text import csv_cell, local_words, parse_time, plural, terminal_width, wrapped
from tools.verdicts import StoredJudgements

MOST_LISTED = 500  # rows of a table, unless asked for more: nobody reads further
_KINDS = [kind.value for kind in Kind]


@dataclass(frozen=True, slots=True)
class View:
    """How the table is to look."""

    by_supply: bool
    seen: Seen


@dataclass(frozen=True, slots=True)
class Which:
    """The events that are asked for, as the options say it."""

    show_all: bool
    kind: str | None
    since: str | None
    until: str | None
    latest: int | None

    def filter(self, site: Site, now_utc_s: float) -> EventFilter:
        """The same for the database."""
        since_s, until_s = _window(site, self.since, self.until, now_utc_s)
        return EventFilter(
            kind=None if self.kind is None else Kind(self.kind),
            since_utc_s=since_s,
            until_utc_s=until_s,
            serious_only=not self.show_all,
            limit=self.latest,
        )


def _which_options(verb: Callable[..., None]) -> Callable[..., None]:
    """Gives a verb what its options ask for as one `Which`."""

    @click.option("--all", "show_all", is_flag=True, help="Also those within the limits.")
    @click.option(
        "--kind", type=click.Choice(_KINDS), metavar="K",
        help=f"Only this kind: {', '.join(_KINDS)}.",
    )  # fmt: skip
    @click.option(
        "--since", metavar="T", help="From then on: 2d, 6h, 2026-11-25, 2026-11-25T08:15."
    )
    @click.option("--until", metavar="T", help="Before then. A date alone is its midnight.")
    @click.option(
        "--latest", type=click.IntRange(min=1), metavar="N",
        help=f"Only the newest N; without it a table has at most {MOST_LISTED}.",
    )  # fmt: skip
    @wraps(verb)
    def wrapper(
        show_all: bool, kind: str | None, since: str | None, until: str | None,
        latest: int | None, **named: Any,
    ) -> None:  # fmt: skip
        verb(which=Which(show_all, kind, since, until, latest), **named)

    return wrapper


@click.command("events")
@click.argument("db", type=click.Path(path_type=Path))
@_which_options
@click.option(
    "--supply", "by_supply", is_flag=True,
    help="One row for what several lines went through together, with the worst of them.",
)  # fmt: skip
@click.option(
    "--format", "layout", type=click.Choice(["table", "jsonl", "csv"]), default="table",
    show_default=True,
)  # fmt: skip
def command(db: Path, which: Which, layout: str, by_supply: bool) -> None:
    """List what happened: by default only what the profile finds serious.

    The table has the newest event first, jsonl and csv the oldest. Times without an offset are
    local times of the site.
    """
    if by_supply and layout != "table":
        raise InputError(f"--supply is for the table; {layout} has a row for every line")
    archive = open_archive(db)
    site = find_site(archive)
    now_utc_s = SystemClock().utc_ns() / 1e9
    wanted = which.filter(site, now_utc_s)
    if layout == "table":
        wanted = replace(wanted, limit=wanted.limit or MOST_LISTED)
        open_run_id = find_open_run(archive, now_utc_s)
        view = View(by_supply, Seen(open_run_id, Monitors(archive)))
        click.echo("\n".join(_page(archive, site, wanted, view)))
        return
    events = _oldest_first(archive, wanted)
    monitors = Monitors(archive)
    rows = csv_lines(events, monitors) if layout == "csv" else json_lines(events, monitors)
    for text in rows:
        click.echo(text, nl=False)


def _oldest_first(archive: Archive, wanted: EventFilter) -> Iterable[EventRow]:
    if wanted.limit is not None:
        return reversed(archive.events(wanted))
    return archive.each(replace(wanted, newest_first=False))


def json_lines(
    events: Iterable[EventRow], monitors: Monitors, more: Sequence[str] = ()
) -> Iterator[str]:
    """Events as JSON, one a line; with `monitor` and `place` where the database holds several.

    :param more: further keys, named as in `EventRow`.
    """
    for event in events:
        further = {name: getattr(event, name) for name in more}
        yield json.dumps(event.as_json() | further | by_whom(event, monitors)) + "\n"


def _window(
    site: Site, since: str | None, until: str | None, now_utc_s: float
) -> tuple[float | None, float | None]:
    since_s = None if since is None else parse_time("--since", since, site.zone, now_utc_s)
    until_s = None if until is None else parse_time("--until", until, site.zone, now_utc_s)
    if since_s is not None and until_s is not None and since_s > until_s:
        raise InputError(f"--since {since} is later than --until {until}")
    return since_s, until_s


def csv_lines(
    events: Iterable[EventRow], monitors: Monitors, more: Sequence[str] = ()
) -> Iterator[str]:
    """Events as CSV, the keys of `as_json` as headings, flags and booleans as words.

    :param more: further columns, named as in `EventRow`. Last come `monitor` and `place`, where
        the database holds several.
    """
    whose = ("monitor", "place") if monitors.are_several else ()
    yield _csv_line((*JSON_KEYS, *more, *whose))
    for event in events:
        cells = event.as_json() | {
            "flags": " ".join(event.flags),
            "complete": "true" if event.complete else "false",
        }
        further = [getattr(event, name) for name in more]
        yield _csv_line((*cells.values(), *further, *by_whom(event, monitors).values()))


def by_whom(event: EventRow, monitors: Monitors) -> dict[str, object]:
    """The monitor that saw an event, and where it was; empty where there is one only."""
    if not monitors.are_several:
        return {}
    return {"monitor": monitors.name(event), "place": monitors.place(event)}


def _csv_line(cells: Iterable[object]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(map(csv_cell, cells))
    return out.getvalue()


def _page(archive: Archive, site: Site, wanted: EventFilter, view: View) -> list[str]:
    events = archive.events(wanted)
    counts = archive.verdict_counts(replace(wanted, serious_only=False))
    width = terminal_width()
    lines = wrapped(_answer(wanted, counts, events), width)
    lines += _watched_lines(archive, site, wanted, view.seen.monitors)
    if view.seen.monitors.are_several and events:
        counted = view.seen.monitors.count_words(events)
        said = f"Listed by monitor: {counted}. {view.seen.monitors.shared_words(events)}"
        lines += wrapped(said, width)
    lines += [line for text in _urgent(events) for line in wrapped(text, width)]
    if events:
        judgements = StoredJudgements(archive)
        for caution in judgements.cautions(events):
            lines += wrapped(caution, width)
        rows = event_lines(archive, events, judgements, by_supply=view.by_supply)
        headings = ("Meaning", "Limit passed", "Margin")
        lines += ["", *event_table(rows, headings, view.seen, width)]
    remarks = (
        _repeated(events, site), _older(wanted, counts, events), _hidden(wanted, counts),
    )  # fmt: skip
    notes = [text for text in remarks if text]
    return [*lines, *(line for text in notes for line in ["", *wrapped(text, width)])]


def _answer(wanted: EventFilter, counts: dict[Verdict | None, int], events: list[EventRow]) -> str:
    total, serious = sum(counts.values()), sum(counts.get(verdict, 0) for verdict in SERIOUS)
    noun = "event" if wanted.kind is None else f"{kind_words(wanted.kind)} event"
    if not total:
        return f"{plural(0, noun).capitalize()}."
    profiles = ", ".join(sorted({event.profile for event in events}))
    compared = f", compared with {profiles}" if profiles else ""
    return f"{plural(total, noun).capitalize()}, {serious or 'none'} serious{compared}."


def _watched_lines(
    archive: Archive, site: Site, wanted: EventFilter, monitors: Monitors
) -> list[str]:
    """What was watched, a sentence for each monitor."""
    width = terminal_width()
    if not monitors.are_several:
        place = ", ".join(word for word in (site.name, site.circuit) if word)
        return wrapped(_watched(archive, site, wanted, Monitor(None, place)), width)
    return [
        line
        for one in monitors.all
        for line in wrapped(f"- {_watched(archive, site, wanted, one)}", width)
    ]


def _watched(archive: Archive, site: Site, wanted: EventFilter, monitor: Monitor) -> str:
    place = monitor.words()
    watched = find_watched(archive, wanted.since_utc_s, wanted.until_utc_s, monitor.name)
    if watched is None:
        return f"{place}: nothing was watched in this time." if place else "Nothing was watched."
    since = local_words(watched.since_utc_s, site.zone)
    until = local_words(watched.until_utc_s, site.zone)
    runs = f" in {watched.n_runs} runs" if watched.n_runs > 1 else ""
    missed = f"; {duration_words(watched.unobserved_s)} unobserved" if watched.unobserved_s else ""
    return (
        f"{f'{place}: ' if place else ''}{', '.join(watched.channels)} watched from {since} "
        f"to {until}, {duration_words(watched.watched_s)}{runs}{missed}."
    )


def _urgent(events: list[EventRow]) -> list[str]:
    """Someone may come to harm: said before anything else, once."""
    first = {(event.run_id, event.group): event for event in events if URGENT in event.flags}
    if not first:
        return []
    found = list(first.values())
    numbers = ", ".join(str(event.id) for event in found[:3])
    why = (found[0].evidence or "").rstrip(".")
    return [f"LOOK AT THIS AT ONCE, event {numbers}: {found[0].cause}. {why}."]


def _repeated(events: list[EventRow], site: Site) -> str:
    """Whether those listed come back at fixed times."""
    found = find_repetition(events, site.zone)
    return "" if found is None else f"{found.text}: {found.chance_words}. {ADVICE}."


def _older(wanted: EventFilter, counts: dict[Verdict | None, int], events: list[EventRow]) -> str:
    """Says so where there are more than are listed."""
    verdicts = SERIOUS if wanted.serious_only else tuple(counts)
    total = sum(counts.get(verdict, 0) for verdict in verdicts)
    if len(events) >= total:
        return ""
    return (
        f"These are the newest {len(events)} of {total}; --latest N lists more, --since and "
        "--until other times, --format csv all of them."
    )


def _hidden(wanted: EventFilter, counts: dict[Verdict | None, int]) -> str:
    if not wanted.serious_only:
        return ""
    within, unjudged = counts.get(Verdict.WITHIN, 0), counts.get(None, 0)
    parts = [f"{within} within the limits"] if within else []
    parts += [f"{unjudged} that the profile does not judge"] if unjudged else []
    return f"Not shown: {' and '.join(parts)}; --all shows them." if parts else ""
