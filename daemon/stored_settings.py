"""What a run was started with, as it is kept in the database."""

import hashlib
import json

from daemon.archive import Archive


def settings_of(archive: Archive, settings_id: int) -> dict[str, object]:
    """The settings snapshot as a table; empty where it is not one."""
    try:
        found = json.loads(archive.settings(settings_id).text)
    except (ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def edited_settings(archive: Archive) -> list[str]:
    """Settings that are not what their digest, the SHA-256 of their text, was taken of."""
    found = []
    for settings_id in sorted({run.settings_id for run in archive.runs()}):
        stored = archive.settings(settings_id)
        if digest_of(stored.text) != stored.digest:
            runs = [str(run.id) for run in archive.runs() if run.settings_id == settings_id]
            found.append(
                f"settings {settings_id}, of run {', '.join(runs)}, do not fit their digest: they "
                "were changed"
            )
    return found


def digest_of(text: str) -> str:
    """What settings are known by: SHA-256, in hexadecimal."""
    return hashlib.sha256(text.encode()).hexdigest()


def table_of(settings: dict[str, object], key: str) -> dict[str, object]:
    """A table inside a settings snapshot; empty where there is none."""
    found = settings.get(key)
    return found if isinstance(found, dict) else {}
