"""The home's own traffic fills more than the access queue: the sender's way through the home fills too."""

from collections.abc import Sequence

from whichhop.compare.suspects.elements import Element, Nature
from whichhop.compare.verdict.verdict import FoundEpisode

WAY = frozenset({Nature.RADIO, Nature.BACKHAUL, Nature.ETHERNET, Nature.AIR, Nature.NODE, Nature.FORWARDING})
"""What lies between a host of the home and its line."""
SLACK_TICKS = 2
"""A queue on the way fills a little sooner or empties a little later than the line's."""


def part_of_own_traffic(
    elements: Sequence[Element], found: FoundEpisode, others: Sequence[FoundEpisode]
) -> bool:
    """Whether an episode on a way inside the home comes and goes with own traffic that counters show.

    That both begin together by chance is far less likely than that a host of the home fills its own radio on
    the way out. One that goes on afterwards, or ends before, is a trouble of its own.
    """
    if elements[found.members[0]].nature not in WAY:
        return False
    return any(
        elements[other.members[0]].nature is Nature.OWN_TRAFFIC
        and abs(other.span.first - found.span.first) <= SLACK_TICKS
        and abs(other.span.end - found.span.end) <= SLACK_TICKS
        for other in others
    )
