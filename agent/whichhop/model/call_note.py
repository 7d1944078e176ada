"""A note of a call to the provider: when, what was said, its ticket, and what was promised by when."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class CallNote:
    """Each text on one line, "" where nothing was given.

    spoke_to: who answered. ticket: the number they gave. promised: a day, YYYY-MM-DD, by which they said
    that something would be done.
    """

    at_ns: int
    text: str
    spoke_to: str = ""
    ticket: str = ""
    promised: str = ""
