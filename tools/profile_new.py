"""`halfcycle profiles new`: a profile of one's own, from options or from answers."""

import json
import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click
import yaml

from daemon.errors import InputError
from daemon.profiles import builtin_profiles, check_profile, user_profile_dir, user_profiles

_STEP = re.compile(
    r"(?P<level>\d+(?:\.\d+)?) ?(?P<unit>%|[vV])?"
    r"(?: ?: ?(?P<time>\d+(?:\.\d+)?) ?(?P<time_unit>us|ms|s|min|h|cycles?)?)?"
)
_SECONDS = {"us": 1e-6, "ms": 1e-3, "s": 1.0, "min": 60.0, "h": 3600.0}
_FORM = "LEVEL:TIME, such as 70%:0.5s, 198V:10s, 0:1cycle, or 90% alone: for ever"

_HEAD = """\
# A tolerance profile of our own. Check it after every change: halfcycle profiles check {name}
# How steps work: the voltage may stay at a level for at most this time. The step nearest to 100 %
# has no time: it is borne for ever. More keys: config/profiles/README.md

id: {id}
kind: {kind}  # {kind_words}
title: {title}
source: {source}  # the document the numbers come from
evidence: {evidence}
"""
_KIND_WORDS = {
    "immunity": "what equipment should ride through: a verdict for each event",
    "supply": "what the network should deliver, by means over time",
}


@dataclass(frozen=True, slots=True)
class Step:
    """A level with its time as a person wrote them."""

    level: float
    unit: str
    time: float | None
    time_unit: str

    def keys(self, word: str) -> dict[str, float]:
        """The step as keys of the file; `word` is down_to or up_to."""
        found = {f"{word}_{'v' if self.unit == 'V' else 'pct'}": self.level}
        if self.time is not None and self.time_unit.startswith("cycle"):
            found["at_most_cycles"] = self.time
        elif self.time is not None:
            found["at_most_s"] = self.time * _SECONDS[self.time_unit]
        return found


def read_step(text: str) -> Step:
    """A step as people type it.

    :raises click.BadParameter: it is none.
    """
    found = _STEP.fullmatch(text.strip())
    if found is None:
        raise click.BadParameter(f"{text!r:.60} is no step; give {_FORM}")
    time = None if found["time"] is None else float(found["time"])
    return Step(
        float(found["level"]), (found["unit"] or "%").upper(), time, found["time_unit"] or "s"
    )


def _read_steps(_: click.Context, __: click.Parameter, texts: tuple[str, ...]) -> tuple[Step, ...]:
    return tuple(read_step(text) for text in texts)


@dataclass(frozen=True, slots=True)
class Answers:
    """What the profile is to say; None where it was not told."""

    identifier: str | None
    title: str | None
    source: str | None
    kind: str
    nominal_v: float | None
    hz: str | None
    under: tuple[Step, ...]
    over: tuple[Step, ...]
    peak: tuple[Step, ...]
    output: Path | None


class _New(click.Command):
    """One record of options in place of ten arguments."""

    def invoke(self, ctx: click.Context) -> None:
        write_profile(Answers(**ctx.params))


def _option(*names: str, told: str, metavar: str | None = None) -> click.Option:
    return click.Option(names, help=told, metavar=metavar)


def _steps_option(name: str, told: str) -> click.Option:
    return click.Option([name], multiple=True, metavar="STEP", callback=_read_steps, help=told)


command = _New(
    "new",
    params=[
        _option("--id", "identifier", told="Its name: lowercase letters, digits, dots, dashes."),
        _option("--title", told="One line for people; the id when left out."),
        _option("--source", told="The document the numbers come from."),
        click.Option(
            ["--kind"],
            type=click.Choice(["immunity", "supply"]),
            default="immunity",
            show_default=True,
            help="What equipment bears, or what the network should deliver.",
        ),
        click.Option(
            ["--nominal", "nominal_v"], type=float, metavar="V", help="The nominal voltage."
        ),
        click.Option(["--hz"], type=click.Choice(["50", "60"]), help="The nominal frequency."),
        _steps_option("--under", f"May fall to {_FORM}. May be given more than once."),
        _steps_option("--over", "May rise to, likewise."),
        _steps_option("--peak", "Peaks, in % of the nominal peak, such as 200%:1ms."),
        click.Option(
            ["-o", "--output"],
            type=click.Path(path_type=Path),
            metavar="FILE",
            help="Where to write it; your own folder when left out.",
        ),
    ],
    help="Write a profile of your own; what no option tells is asked for.",
)


def write_profile(given: Answers) -> None:
    """Ask for what is missing, check it, and write the file; an existing one is left alone.

    :raises InputError: the profile is not right, its id is taken, or it cannot be written.
    """
    answers = _asked(given)
    path = _path(answers.output, answers.identifier or "")
    text = _text(path, answers)
    profile = check_profile(path, yaml.safe_load(text))
    _check_is_new(profile.id)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        raise InputError(f"{path} is there already; it was left as it is") from error
    except OSError as error:
        raise InputError(f"{path} cannot be written: {error.strerror}") from error
    click.echo(f"Written: {path}")
    name = profile.id if answers.output is None else path
    click.echo(f"Look at it with `halfcycle profiles show {name}`.")


def _asked(given: Answers) -> Answers:
    """The options, and answers for those that are missing."""
    has_limits = bool(given.under or given.over or given.peak)
    if given.identifier and given.source and has_limits:
        return given
    try:
        named = _ask_names(given)
        return named if has_limits else _ask_limits(named)
    except click.Abort as error:
        raise InputError(
            "the answers ended too early; give --id, --source and --under or --over instead"
        ) from error


def _ask_names(given: Answers) -> Answers:
    identifier = given.identifier or _prompt("Id (lowercase letters, digits, dashes)", str)
    title = given.title or _prompt("Title", str, identifier)
    source = given.source or _prompt("Source: where the numbers come from", str)
    nominal_v, hz = given.nominal_v, given.hz
    if nominal_v is None:
        nominal_v = _prompt("Nominal voltage in V (empty: any)", _number, "")
    if hz is None:
        hz = _prompt("Frequency, 50 or 60 (empty: any)", _frequency, "")
    return replace(
        given, identifier=identifier, title=title, source=source, nominal_v=nominal_v, hz=hz
    )


def _ask_limits(given: Answers) -> Answers:
    click.echo(f"Steps are {_FORM}; several with commas between.", err=True)
    under = _prompt("The voltage may fall to (empty: no limit)", _steps, "")
    over = _prompt("The voltage may rise to (empty: no limit)", _steps, "")
    return replace(given, under=under, over=over)


def _prompt(text: str, convert: Callable[[str], Any], default: str | None = None) -> Any:
    return click.prompt(
        text, default=default, value_proc=convert, show_default=bool(default), err=True
    )


def _number(text: str) -> float | None:
    try:
        return float(text) if text.strip() else None
    except ValueError as error:
        raise click.UsageError(f"{text!r:.40} is no number") from error


def _frequency(text: str) -> str | None:
    if text.strip() not in ("", "50", "60"):
        raise click.UsageError("give 50, 60 or nothing")
    return text.strip() or None


def _steps(text: str) -> tuple[Step, ...]:
    return tuple(read_step(part) for part in text.split(",") if part.strip())


def _path(output: Path | None, identifier: str) -> Path:
    if output is not None:
        return output
    folder = user_profile_dir()
    if folder is None:
        raise InputError("there is no home folder to write to; give --output FILE")
    if not re.fullmatch(r"[a-z0-9][a-z0-9.-]{0,59}", identifier):
        raise InputError(
            f"id: {identifier!r:.80} is not allowed; must be 1 to 60 lowercase letters, digits, "
            "dots and dashes"
        )
    return folder / f"{identifier}.yaml"


def _check_is_new(identifier: str) -> None:
    own, _ = user_profiles(user_profile_dir())
    if any(profile.id == identifier for profile in (*builtin_profiles(), *own)):
        raise InputError(f"id: there is a profile {identifier!r} already; choose another id")


def _text(path: Path, answers: Answers) -> str:
    text = _HEAD.format(
        name=path.name,
        id=_quoted(answers.identifier or ""),
        kind=answers.kind,
        kind_words=_KIND_WORDS[answers.kind],
        title=_quoted(answers.title or answers.identifier or ""),
        source=_quoted(answers.source or ""),
        evidence=_quoted("as its source says; not checked by anybody else"),
    )
    scope = [f"nominal_v: [{answers.nominal_v!r}]"] if answers.nominal_v is not None else []
    scope += [f"frequency_hz: [{answers.hz}]"] if answers.hz else []
    text += f"applies_to: {{{', '.join(scope)}}}\n" if scope else ""
    text += _listed("under", "down_to", answers.under, "the voltage may fall to")
    text += _listed("over", "up_to", answers.over, "the voltage may rise to")
    text += _listed("peak", "up_to", answers.peak, "peaks, in % of the nominal peak")
    if answers.kind == "supply":
        text += "\naveraging: {interval_s: 600, period_s: 604800, share_pct: 95}\n"
        text += "# 95 % of the ten-minute means of a week have to keep the limits\n"
    return text


def _listed(key: str, word: str, steps: tuple[Step, ...], comment: str) -> str:
    if not steps:
        return ""
    lines = [f"\n{key}:  # {comment}"]
    for step in steps:
        keys = ", ".join(f"{name}: {value:.10g}" for name, value in step.keys(word).items())
        lines.append(f"  - {{{keys}}}")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """Text as YAML: JSON's quotes are YAML's."""
    return json.dumps(str(text), ensure_ascii=False)
