"""A note of what somebody changed in the home, and when."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A note of what somebody changed and when, such as "took out the splitter in the attic"."""

    at_ns: int
    text: str
