"""What agents let each other know of notices: readings that travel as all others do. Pure."""

from collections.abc import Iterable, Sequence

from whichhop.model.bulletin import NoticeHeard
from whichhop.model.notices import Way
from whichhop.model.units import NS_PER_S

READY, TOLD = "notice_ready", "notice_told"
"""Readings `notice_ready:WAY` each minute; `notice_told:WAY:ELEMENT`, 1 for a beginning, 0 for an end."""
READY_EVERY_NS = 60 * NS_PER_S
AWAY_NS = 180 * NS_PER_S
"""An agent that was not ready for three minutes is off: the next one takes over."""
EARLY_NS = 300 * NS_PER_S
"""Two agents may take a fault's beginning for so much apart."""


def sender(way: Way, me: str, order: Sequence[str], heard: Iterable[NoticeHeard], now_ns: int) -> str:
    """The one agent that tells by this way: of those ready, the first of the home file. This one is ready."""
    ready = {m.agent for m in heard if m.name == f"{READY}:{way}" and now_ns - m.at_ns <= AWAY_NS}
    return next((name for name in order if name in ready or name == me), me)


def told_by_others(
    way: Way, me: str, elements: Iterable[str], start_ns: int, heard: Iterable[NoticeHeard]
) -> float | None:
    """What others told of a fault by this way last, 1 its beginning, 0 its end; None where nothing."""
    names = {f"{TOLD}:{way}:{element}" for element in elements}
    newer = [m for m in heard if m.agent != me and m.name in names and m.at_ns >= start_ns - EARLY_NS]
    return max(newer, key=lambda m: m.at_ns).value if newer else None
