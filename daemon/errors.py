"""What can go wrong in the daemon, sorted by what the caller can do about it.

HalfcycleError
|-- InputError   the user's file, option or argument is wrong: one clear message, exit 2
`-- StoreError   the database cannot be written or read now: exit 3
"""


class HalfcycleError(Exception):
    """Root of everything the daemon raises on purpose."""


class InputError(HalfcycleError, ValueError):
    """What the user gave is wrong. The message names file, key, value and limit."""


class StoreError(HalfcycleError, OSError):
    """The database failed, and not by the user's fault."""
