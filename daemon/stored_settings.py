"""What a run was started with, as it is kept in the database."""

import json

from daemon.archive import Archive


def settings_of(archive: Archive, settings_id: int) -> dict[str, object]:
    """The settings snapshot as a table; empty where it is not one."""
    try:
        found = json.loads(archive.settings(settings_id).text)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def table_of(settings: dict[str, object], key: str) -> dict[str, object]:
    """A table inside a settings snapshot; empty where there is none."""
    found = settings.get(key)
    return found if isinstance(found, dict) else {}
