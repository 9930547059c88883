"""How many dips a site had, as IEEE 1564 counts them, in words with the time they are for."""

from collections.abc import Iterator, Mapping, Sequence

from daemon.archive import Archive, DipRow
from daemon.groups import line_names
from daemon.page.words import duration_words
from daemon.profiles import Profile
from daemon.sag_figures import Dip, SagCounts, count_sags, dips_of_supply
from daemon.stored_settings import settings_of
from daemon.tolerance import ImmunityProfile
from tools.coverage import find_coverage
from tools.verdicts import Supply, known_supplies

USUAL_S = 30 * 86400.0  # a shorter watch says little of a site (common practice, no source)


def sag_sentences(archive: Archive, profiles: Sequence[Profile]) -> list[str]:
    """SARFI of each monitor in the database, one sentence each; none where no supply is known."""
    supplies = known_supplies(archive)
    runs = {run.id: run for run in archive.runs() if run.id in supplies}
    origins = list(dict.fromkeys(run.origin for run in runs.values()))
    found = []
    for origin in origins:
        ours = {number: supplies[number] for number, run in runs.items() if run.origin == origin}
        coverage = find_coverage(archive, origin)
        if coverage is not None:
            words = _sentence(archive, ours, profiles, coverage.watched_s)
            found.append(f"{origin}: {words}" if origin else words)
    return found


def _sentence(
    archive: Archive, supplies: Mapping[int, Supply], profiles: Sequence[Profile], watched_s: float
) -> str:
    supply = list(supplies.values())[-1]
    profile = next((one for one in profiles if isinstance(one, ImmunityProfile)), None)
    dips = _dips(archive, set(supplies))
    counts = count_sags(dips, profile, (supply.nominal_v, supply.frequency_hz))
    name = "" if profile is None else profile.id
    short = (
        "" if watched_s >= USUAL_S else "; indicative, as such counts are meant for a month or more"
    )
    _, every, merged = counts.below[0]
    once = f"; {merged} if those within a minute count once" if merged != every else ""
    return (
        f"Dips of the supply as a whole (SARFI of IEEE 1564, the worst line stands for all) in "
        f"{duration_words(round(watched_s))} watched: {_words(counts, name, supply)}{once}{short}."
    )


def _words(counts: SagCounts, profile: str, supply: Supply) -> str:
    """Levels above the capture threshold were not watched for, so nothing is said of them."""
    dip_pct = supply.dip_pct or 100.0
    parts = [
        f"{every} below {level_pct:g} %"
        for level_pct, every, _ in counts.below
        if level_pct <= dip_pct
    ]
    if counts.below_curve is not None:
        parts.append(f"{counts.below_curve[0]} below the curve of {profile}")
    return ", ".join(parts)


def _dips(archive: Archive, run_ids: set[int]) -> Iterator[Dip]:
    lines = {
        run.id: line_names(run.channels, settings_of(archive, run.settings_id))
        for run in archive.runs()
        if run.id in run_ids
    }
    for rows in _parts(archive, run_ids):
        yield from dips_of_supply(rows, lines[rows[0].run_id])


def _parts(archive: Archive, run_ids: set[int]) -> Iterator[list[DipRow]]:
    """The dips of each group. Within a run they follow each other, so few are held at a time."""
    under_way: dict[int, list[DipRow]] = {}
    for row in archive.each_dip():
        if row.run_id not in run_ids:
            continue
        rows = under_way.setdefault(row.run_id, [])
        if rows and rows[0].group != row.group:
            yield rows
            rows = under_way[row.run_id] = []
        rows.append(row)
    yield from under_way.values()
