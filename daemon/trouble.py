"""Since when nothing can be written, in the words of the log and the page."""

from dataclasses import dataclass

from daemon.schema import utc_text


@dataclass(frozen=True, slots=True)
class Trouble:
    """A stretch of time in which the database takes nothing."""

    since_index: float  # the sample at which it began
    since_s: float  # on the monotonic clock
    text: str

    def words(self, since_utc_s: float, let_go: str) -> str:
        """While it lasts.

        :param let_go: what there was no room for until now; empty: nothing.
        """
        text = f"since {utc_text(since_utc_s)} nothing can be stored: {self.text}"
        return f"{text}; {_no_room_words(let_go)}" if let_go else text

    def words_after(self, since_utc_s: float, now_utc_s: float, let_go: str) -> str:
        """When it is over."""
        span = f"from {utc_text(since_utc_s)} to {utc_text(now_utc_s)}"
        lost = _no_room_words(let_go) if let_go else "nothing was lost by it"
        return f"{span} nothing could be stored: {self.text}; {lost}"


def _no_room_words(let_go: str) -> str:
    return f"there was no room to keep {let_go}"
