"""The library of tolerance profiles: the built-in ones and the user's own."""

import math
import os
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from daemon.errors import InputError
from daemon.tolerance import KINDS
from daemon.tolerance import Profile as Profile
from daemon.yaml_file import describe_faults, fields_of, read_yaml


def load_profile(path: Path) -> Profile:
    """Read and check one profile.

    :raises InputError: every fault of the file, one line each: file, key, value, what is allowed.
    """
    return check_profile(path, read_yaml(path))


def check_profile(path: Path, raw: dict[str, Any]) -> Profile:
    """Check what was read, or is to be written, as the profile of a file.

    :raises InputError: as `load_profile`.
    """
    model = KINDS[_kind(path, raw)]
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        raise InputError(describe_faults(path, error, fields_of(model))) from error


def _kind(path: Path, raw: dict[str, Any]) -> str:
    kind = raw.get("kind")
    if isinstance(kind, str) and kind in KINDS:
        return kind
    found = f"{kind!r:.60} is not allowed" if "kind" in raw else "missing"
    raise InputError(f"{path}: kind: {found}; must be one of: {', '.join(sorted(KINDS))}")


def builtin_profiles() -> list[Profile]:
    """The profiles that come with the program, by id."""
    return [_builtin(name) for name in _builtin_ids()]


def _builtin_ids() -> list[str]:
    """A built-in profile's file is named by its id, so that one can be had without the others."""
    names = (entry.name for entry in files("config").joinpath("profiles").iterdir())
    return sorted(name.removesuffix(".yaml") for name in names if name.endswith(".yaml"))


def _builtin(identifier: str) -> Profile:
    with as_file(files("config").joinpath("profiles", f"{identifier}.yaml")) as path:
        return load_profile(path)


def user_profile_dir(environment: Mapping[str, str] | None = None) -> Path | None:
    """The folder of the user's own profiles, or None when the user has no home folder.

    It is `halfcycle/profiles` in $XDG_CONFIG_HOME, or in ~/.config where that is unset.
    """
    environment = os.environ if environment is None else environment
    base, home = environment.get("XDG_CONFIG_HOME", ""), environment.get("HOME", "")
    if os.path.isabs(base):  # the XDG rule: a relative one is to be ignored
        return Path(base) / "halfcycle" / "profiles"
    return Path(home) / ".config" / "halfcycle" / "profiles" if home else None


def user_profiles(user_dir: Path | None) -> tuple[list[Profile], list[str]]:
    """The user's own profiles, and what is wrong with the files that are not profiles."""
    found, faults = [], []
    for path in _yaml_files(user_dir):
        try:
            found.append(load_profile(path))
        except InputError as error:
            faults.append(str(error))
    return found, faults


def _yaml_files(user_dir: Path | None) -> Iterator[Path]:
    if user_dir is not None and user_dir.is_dir():
        yield from sorted(user_dir.glob("*.yaml"))


def find_profile(name: str, user_dir: Path | None) -> Profile:
    """The profile called `name`: an id, built in or in the user's folder, or a path to a file.

    A name that ends in .yaml is a path.

    :raises InputError: no such profile (the message lists those there are), two with this id,
        or the profile's file is wrong.
    """
    if name.endswith(".yaml"):
        return load_profile(_expanded(name))
    builtin_ids = _builtin_ids()
    own, faults = user_profiles(user_dir)
    matching = [profile for profile in own if profile.id == name]
    if name in builtin_ids:
        matching.append(_builtin(name))
    if len(matching) == 1:
        return matching[0]
    if matching:
        raise InputError(
            f"profile {name!r}: {len(matching)} profiles have this id; "
            f"give those in {user_dir} another one"
        )
    ids = sorted({*builtin_ids, *(profile.id for profile in own)})
    raise InputError(
        "\n".join([f"profile {name!r:.80} is not known; {_meant(name, ids)}", *faults])
    )


def _meant(name: str, ids: list[str]) -> str:
    """Those whose names are alike or begin like this; all, where none is."""
    written = name.lower().replace("_", "-").replace(" ", "-")
    like = [one for one in ids if written and one.startswith(written)]
    like = like[:3] or get_close_matches(written, ids, n=3, cutoff=0.7)
    if not like:
        return f"known: {', '.join(ids)}"
    return f"did you mean {' or '.join(like)}? `halfcycle profiles list` lists all {len(ids)}"


def _expanded(name: str) -> Path:
    try:
        return Path(name).expanduser()
    except RuntimeError as error:
        raise InputError(f"{name}: there is no such home folder") from error


def scope_warning(profile: Profile, nominal_v: float, frequency_hz: float) -> str | None:
    """What to tell people when a profile is used on a supply it was not written for."""
    if is_in_scope(profile, nominal_v, frequency_hz):
        return None
    scope = profile.applies_to
    meant = " and ".join(
        f"{' or '.join(f'{value:g}' for value in values)} {unit}"
        for values, unit in ((scope.nominal_v, "V"), (scope.frequency_hz, "Hz"))
        if values
    )
    supply = f"this supply is {nominal_v:g} V and {frequency_hz:g} Hz"
    advice = profile.warning or "Take the comparison as information only."
    return f"{profile.title} is meant for {meant}; {supply}. {advice}"


def is_in_scope(profile: Profile, nominal_v: float, frequency_hz: float) -> bool:
    """Whether a profile was written for such a supply."""
    scope = profile.applies_to
    return _is_in(scope.nominal_v, nominal_v) and _is_in(scope.frequency_hz, frequency_hz)


def _is_in(values: tuple[float, ...] | None, value: float) -> bool:
    return values is None or any(math.isclose(value, one) for one in values)
