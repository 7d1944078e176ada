"""Maps the filter's probability to the one that is published, so that nine in ten means nine in ten."""

from collections.abc import Mapping

from whichhop.model import Cause

SURE = 0.98
"""From here on the filter is as sure as it ever is; what it is then wrong about, its model does not know."""
WEIGHT = 40.0
"""The share over all causes counts as much as this many verdicts of a cause, so that few prove little."""

SURE_RIGHT: Mapping[Cause, tuple[int, int]] = {
    Cause.WIRELESS_HOP: (399, 392),
    Cause.BACKHAUL: (207, 207),
    Cause.WIRED_LAN: (72, 72),
    Cause.HOME_NODE: (114, 104),
    Cause.OWN_TRAFFIC: (240, 240),
    Cause.UPSTREAM_LINK: (30, 30),
    Cause.BEYOND: (62, 60),
    Cause.DESTINATION: (64, 64),
    Cause.NAME_SERVICE: (56, 42),
    Cause.RESPONDER: (71, 71),
    Cause.NOT_SEPARABLE: (197, 197),
}
"""Verdicts of which the filter was sure, and how many were right, by cause.

Learnt from the labelled suite's development seeds only, by `tests/run suite --learn`, which prints it.
"""
UNSURE_RIGHT = (30, 12)
"""The same for all verdicts of which it was less sure: too few to tell by cause."""


def _share(counts: tuple[int, int], toward: float) -> float:
    """The share right, drawn toward another by WEIGHT verdicts' worth (a beta prior's mean)."""
    verdicts, right = counts
    return (right + WEIGHT * toward) / (verdicts + WEIGHT)


_ALL = tuple(sum(pair[i] for pair in SURE_RIGHT.values()) for i in (0, 1))
_OVERALL = _ALL[1] / _ALL[0]
_LESS = _share(UNSURE_RIGHT, 0.9)
"""Drawn toward 0.9, what the filter itself claims at least where an episode opens (`Settings.open_at`)."""


def published(probability: float, cause: Cause) -> float:
    """The calibrated probability of a verdict; never 1, since every cause's share is drawn toward one
    below."""
    if probability >= SURE:
        return max(_LESS, _share(SURE_RIGHT.get(cause, (0, 0)), _OVERALL))
    return min(probability, _LESS)
