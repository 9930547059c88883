"""What can go wrong with an input, sorted by what the caller can do about it.

SourceError
|-- OptionError        the user's options or file are wrong: say so, exit 2, no retry
|-- SourceUnavailable  the device is not there now: exit 3, let the supervisor try again
|-- SourceFailed       the device failed while sampling: reopen with back-off, log the gap
`-- SourceEnded        a recording or scenario is over: finish and exit 0
"""


class SourceError(Exception):
    """Root of everything a driver raises on purpose."""


class OptionError(SourceError, ValueError):
    """The options, or the file they name, are wrong. The message names key, value, limit."""


class SourceUnavailable(SourceError, OSError):
    """The device cannot be opened now."""


class SourceFailed(SourceError, OSError):
    """The device failed while it was sampling."""


class SourceEnded(SourceError, EOFError):
    """There are no more samples: the recording, or the scenario, is over."""
