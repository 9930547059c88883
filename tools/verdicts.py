"""Stored events compared with profiles, on the supply that their run was declared to watch."""

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from pathlib import Path

from daemon.archive import Archive, EventRow
from daemon.errors import InputError
from daemon.judge import facts_of, judge
from daemon.profiles import Profile, find_profile, is_in_scope, user_profile_dir
from daemon.records import Judgement
from daemon.stored_settings import settings_of, table_of
from daemon.tolerance import SupplyProfile
from tools.site import number_of

NO_PROFILE = "no profile"
CORRECTED = (
    "Some times were corrected after the clock was set; the corrected ones are listed, "
    "`halfcycle show` also gives the first."
)


@dataclass(frozen=True, slots=True)
class Supply:
    """What a run was declared to watch, and the thresholds it captured with (None: it did not)."""

    nominal_v: float
    frequency_hz: float
    dip_pct: float | None
    swell_pct: float | None
    transient_pct: float | None
    distortion_pct: float | None
    frequency_pct: float | None
    hysteresis_pct: float | None = None


def find_supplies(db: Path, archive: Archive) -> dict[int, Supply]:
    """The declared supply of every run, by its id.

    :raises InputError: a run's settings do not say.
    """
    supplies = known_supplies(archive)
    for run in archive.runs():
        if run.id not in supplies:
            raise InputError(f"{db}: the settings of run {run.id} name no declared voltage")
    return supplies


def known_supplies(archive: Archive) -> dict[int, Supply]:
    """The declared supply of every run whose settings tell it."""
    supplies = {}
    for run in archive.runs():
        settings = settings_of(archive, run.settings_id)
        supply, capture = table_of(settings, "supply"), table_of(settings, "capture")
        nominal_v, frequency_hz = number_of(supply, "nominal_v"), number_of(supply, "frequency_hz")
        if nominal_v is not None and frequency_hz is not None:
            supplies[run.id] = Supply(
                nominal_v,
                frequency_hz,
                number_of(capture, "dip_pct"),
                number_of(capture, "swell_pct"),
                number_of(capture, "transient_pct"),
                number_of(capture, "distortion_pct"),
                number_of(capture, "frequency_pct"),
                number_of(capture, "hysteresis_pct"),
            )
    return supplies


def compared_with(archive: Archive, judged: Collection[tuple[int, str]]) -> list[str]:
    """The ids of the profiles that events were compared with, or would have been.

    :param judged: run and profile of events; of a run without any its settings tell it.
    """
    names = {profile for _, profile in judged}
    quiet = {run.settings_id for run in archive.runs()} - {
        run.settings_id for run in archive.runs() if run.id in {run_id for run_id, _ in judged}
    }
    for settings_id in quiet:
        name = table_of(settings_of(archive, settings_id), "supply").get("profile")
        names |= {_id_of(name)} if isinstance(name, str) else set()
    return sorted(names)


def _id_of(name: str) -> str:
    """Of a profile by its id or its file; a file that is gone keeps its name."""
    found = _found(name)
    return name if found is None else found.id


def _found(name: str) -> Profile | None:
    try:
        return find_profile(name, user_profile_dir())
    except InputError:
        return None


def judge_row(event: EventRow, profile: Profile, supply: Supply) -> Judgement:
    """Compare a stored event with a profile."""
    return judge(facts_of(event), profile, supply.nominal_v, supply.frequency_hz)


class StoredJudgements:
    """The judgements that were stored, with the margins that belong to them."""

    def __init__(self, archive: Archive) -> None:
        self._supplies = known_supplies(archive)
        self._profiles: dict[str, Profile | None] = {}

    def of(self, event: EventRow) -> Judgement:
        """The stored judgement, with the margins stored or, in an old database, found again.

        There are none where the profile is gone or says otherwise now.
        """
        stored = Judgement(
            event.profile, event.verdict, event.limit, event.margin_pct, event.margin_s,
            event.severity,
        )  # fmt: skip
        if stored.margin_pct is not None:
            return stored
        profile, supply = self.profile(event.profile), self._supplies.get(event.run_id)
        if profile is None or supply is None:
            return stored
        again = judge_row(event, profile, supply)
        return again if (again.verdict, again.limit) == (stored.verdict, stored.limit) else stored

    def profile(self, name: str) -> Profile | None:
        """The profile of this id, where it is still to be found."""
        if name not in self._profiles:
            self._profiles[name] = _found(name)
        return self._profiles[name]

    def supply(self, event: EventRow) -> Supply | None:
        """The declared supply of the run of an event."""
        return self._supplies.get(event.run_id)

    def cautions(self, events: Iterable[EventRow]) -> list[str]:
        """What to know of the profiles used, and of the times, in one short sentence each."""
        found: list[str] = []
        for event in events:
            if event.first is not None:
                found.append(CORRECTED)
            profile, supply = self.profile(event.profile), self.supply(event)
            if profile is None or supply is None:
                continue
            if not is_in_scope(profile, supply.nominal_v, supply.frequency_hz):
                found.append(_scope_words(profile, supply))
            if isinstance(profile, SupplyProfile):
                found.append(f"{profile.id} limits means over time: indicative for single events.")
        return list(dict.fromkeys(found))


def _scope_words(profile: Profile, supply: Supply) -> str:
    scope = profile.applies_to
    meant = " and ".join(
        f"{' or '.join(f'{value:g}' for value in values)} {unit}"
        for values, unit in ((scope.nominal_v, "V"), (scope.frequency_hz, "Hz"))
        if values
    )
    return (
        f"{profile.id} was written for {meant}, this supply has {supply.nominal_v:g} V and "
        f"{supply.frequency_hz:g} Hz: it shows how bad an event was, it is no limit of this "
        "supply. `halfcycle profiles suggest` names those that fit."
    )
