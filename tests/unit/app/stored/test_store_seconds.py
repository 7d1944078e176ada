"""Seconds taken by the hour are those that were asked for."""

import numpy as np

from whichhop.app.stored.store_seconds import HOUR_NS, HourlySeconds
from whichhop.compare.windows.seconds import Seconds, empty_seconds
from whichhop.model import Method, SessionKey
from whichhop.model.units import NS_PER_S

KEYS = (SessionKey(agent="desk", target="router", method=Method.ECHO),)


def counted(start_ns: int, end_ns: int) -> Seconds:
    """Seconds that each say which one they are."""
    out = empty_seconds(KEYS, start_ns, (end_ns - start_ns) // NS_PER_S)
    out.rtt_s[:, 0] = start_ns // NS_PER_S % 86_400 + np.arange(out.count)
    return out


def test_they_are_the_same_over_an_hours_end_too_and_asked_for_once_an_hour() -> None:
    asked: list[int] = []

    def source(start_ns: int, end_ns: int) -> Seconds:
        asked.append(start_ns // HOUR_NS)
        return counted(start_ns, end_ns)

    seconds = HourlySeconds(source)
    for first, end in ((100, 160), (130, 190), (3570, 3630), (3600, 3660), (7190, 7200)):
        start_ns, end_ns = 5 * HOUR_NS + first * NS_PER_S, 5 * HOUR_NS + end * NS_PER_S
        found, wanted = seconds(start_ns, end_ns), counted(start_ns, end_ns)
        assert found.start_ns == wanted.start_ns
        assert np.array_equal(found.rtt_s, wanted.rtt_s)
        assert found.sent.shape == wanted.sent.shape
    assert asked == [5, 6]
