"""When our own transfers moved data, and which sessions felt it: delay that we made ourselves. Pure."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.windows.table import WindowTable
from whichhop.model import Medium, Reading, Session
from whichhop.model.transfer import BEGINS, SECONDS, figure_of
from whichhop.model.units import NS_PER_S

DRAIN_NS = 2 * NS_PER_S
"""What a transfer queued is still in the way for so long after it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moved:
    """One direction of a transfer of ours, and from when to when (UTC ns) its data was under way."""

    agent: str
    other_end: str
    way: str
    begin_ns: int
    end_ns: int


def moved_of(readings: Iterable[Reading]) -> Iterator[Moved]:
    """What the readings tell: a begin with the longest it may last; at the end, how long it did last.

    A begin whose end is not told yet, or never will be, stands for its longest; so does live use know of a
    transfer while it runs.
    """
    begins: list[tuple[str, str, str, int, int]] = []
    ends: dict[tuple[str, str, str], list[tuple[int, int]]] = {}
    for reading in readings:
        found = figure_of(reading.name)
        if found is None or found.name not in (BEGINS, SECONDS):
            continue
        span_ns = round(reading.value * NS_PER_S)
        if found.name == BEGINS:
            begins.append((reading.agent, found.other_end, found.way, reading.at_ns, reading.at_ns + span_ns))
        else:
            key = (reading.agent, found.other_end, found.way)
            ends.setdefault(key, []).append((reading.at_ns - span_ns, reading.at_ns))
    for (agent, other_end, way), spans in ends.items():
        for begin, end in spans:
            yield Moved(agent=agent, other_end=other_end, way=way, begin_ns=begin, end_ns=end)
    for agent, other_end, way, begin, latest in begins:
        if not any(begin <= at <= latest for _, at in ends.get((agent, other_end, way), ())):
            yield Moved(agent=agent, other_end=other_end, way=way, begin_ns=begin, end_ns=latest)


def felt_by(moved: Moved, sessions: Sequence[Session]) -> NDArray[np.bool_]:
    """Which sessions a transfer keeps waiting: (sessions,).

    Those that share a link with it, those that begin or end at the two machines that move the data, and,
    where it goes by radio, every one that does too: nodes of a home share their channel's air time. Toward
    the user's URLs it goes by every link that the agent's own sessions cross.
    """
    mine = [s for s in sessions if s.key.agent == moved.agent]
    way = [s for s in mine if s.key.target == moved.other_end] or mine
    links = {link.name for s in way for link in s.path.links}
    ends = {moved.agent, moved.other_end}
    by_radio = any(link.medium is Medium.RADIO for s in way for link in s.path.links)
    return np.array(
        [
            s.key.agent in ends
            or s.key.target in ends
            or any(link.name in links or (by_radio and link.medium is Medium.RADIO) for link in s.path.links)
            for s in sessions
        ],
        dtype=bool,
    )


def disturbed(
    table: WindowTable, sessions: Sequence[Session], readings: Iterable[Reading]
) -> NDArray[np.bool_]:
    """(ticks, sessions): where a transfer of ours was under way on a session's path, so nothing is said."""
    out = np.zeros((table.ticks, len(sessions)), dtype=bool)
    felt: dict[tuple[str, str], NDArray[np.bool_]] = {}
    for moved in moved_of(readings):
        first = max(0, (moved.begin_ns - table.start_ns) // table.step_ns)
        last = min(table.ticks - 1, (moved.end_ns + DRAIN_NS - table.start_ns) // table.step_ns)
        if first <= last:
            key = (moved.agent, moved.other_end)
            if key not in felt:
                felt[key] = felt_by(moved, sessions)
            out[first : last + 1] |= felt[key]
    return out
