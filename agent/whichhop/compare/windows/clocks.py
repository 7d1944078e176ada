"""How far the agents' clocks are apart, by STAMP's four stamps (RFC 8762 4.2); windows put in line. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from statistics import median_low
from typing import Any

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.windows.table import COUNTS, QUANTILES, WindowTable
from whichhop.model import ABSENT, Reading, Record, SessionKey
from whichhop.model.units import NS_PER_S

LEAST_OFF_S = 5.0
"""Half a tick: nearer clocks put most of a fault into the same ticks, and rounding could do no better."""
LEAST_SAMPLES = 20
"""Packets before a session tells of clocks: a median of twenty is within a round trip's own spread of it."""
MOST_SAMPLES = 2000
"""More tell nothing more of a figure that is wanted to a second."""


def ahead_s(out_ns: NDArray[Any], rtt_ns: NDArray[Any]) -> float | None:
    """How far the target's clock is ahead of the agent's, seconds: T2 - T1 less half of the round trip.

    None under LEAST_SAMPLES with both; wrong by half of what the ways differ, which no clock matter is.
    """
    stride = max(1, len(out_ns) // MOST_SAMPLES)
    out, rtt = np.asarray(out_ns[::stride]), np.asarray(rtt_ns[::stride])
    known = (out != ABSENT) & (rtt != ABSENT)
    if np.count_nonzero(known) < LEAST_SAMPLES:
        return None
    # One that was seen: half-way between before and after a clock was set, no clock ever was.
    return float(np.quantile(out[known] - rtt[known] // 2, 0.5, method="lower")) / NS_PER_S


def ahead_of_records(records: Sequence[Record]) -> dict[SessionKey, float]:
    """The same for each session of some records that tells it."""
    by_key: dict[SessionKey, list[Record]] = {}
    for record in records:
        by_key.setdefault(record.session, []).append(record)
    out = {}
    for key, group in by_key.items():
        ways = (np.concatenate([np.asarray(getattr(r.samples, n), np.int64) for r in group]) for n in _WAYS)
        found = ahead_s(*ways)
        if found is not None:
            out[key] = found
    return out


_WAYS = ("out_ns", "rtt_ns")


def clocks_of(ahead: Mapping[SessionKey, float], agents: Iterable[str]) -> dict[str, float]:
    """Seconds by which each agent's clock is ahead of what most of them show; 0 where that cannot be told.

    ahead: by session from agent to agent. Of two that disagree the one that shows less counts as right: what
    matters is that they are put in line.
    """
    names = sorted(set(agents))
    known = set(names)
    joined: dict[str, dict[str, list[float]]] = {a: {} for a in names}
    for key, seconds in ahead.items():
        if key.agent in known and key.target in known:
            joined[key.agent].setdefault(key.target, []).append(seconds)
            joined[key.target].setdefault(key.agent, []).append(-seconds)
    out: dict[str, float] = dict.fromkeys(names, 0.0)
    left = set(names)
    while left:
        first = min(left)
        found, queue = {first: 0.0}, [first]
        while queue:
            here = queue.pop()
            for there, values in joined[here].items():
                if there not in found:
                    found[there] = found[here] + median_low(values)
                    queue.append(there)
        middle = sorted(found.values())[(len(found) - 1) // 2]
        out |= {name: value - middle for name, value in found.items()}
        left -= found.keys()
    return out


def off(clocks: Mapping[str, float]) -> dict[str, float]:
    """Of these clocks those that are off by enough to matter."""
    return {name: s for name, s in clocks.items() if abs(s) >= LEAST_OFF_S}


def move_of(clocks: Mapping[str, float], agent: str, step_ns: int) -> int:
    """By how many whole ticks what an agent measured is to be moved earlier."""
    return round(clocks.get(agent, 0.0) * NS_PER_S / step_ns)


def aligned(table: WindowTable, clocks: Mapping[str, float]) -> WindowTable:
    """The table with each agent's columns moved by whole ticks to the common time; itself if none is off."""
    moves = [move_of(clocks, key.agent, table.step_ns) for key in table.sessions]
    if not any(moves):
        return table
    changed: dict[str, Any] = {}
    for name in (*COUNTS, *QUANTILES):
        array = getattr(table, name).copy()
        for j, move in enumerate(moves):
            if move:
                array[:, j] = _moved(array[:, j], move)
        changed[name] = array
    # Their seconds stay where they were: by them a clock that is off is no clock at all.
    return replace(table, seconds=None, **changed)


def _moved(column: NDArray[Any], earlier: int) -> NDArray[Any]:
    empty = np.nan if column.dtype.kind == "f" else 0
    out = np.full_like(column, empty)
    count = len(column) - abs(earlier)
    if count > 0:
        out[max(0, -earlier) : max(0, -earlier) + count] = column[max(0, earlier) : max(0, earlier) + count]
    return out


def aligned_readings(readings: Iterable[Reading], clocks: Mapping[str, float]) -> tuple[Reading, ...]:
    """Readings with the same done to their times; in the order given."""
    if not any(clocks.values()):
        return tuple(readings)
    return tuple(replace(r, at_ns=r.at_ns - round(clocks.get(r.agent, 0.0) * NS_PER_S)) for r in readings)


def one_clock_words(ahead_s: float) -> str:
    """What is wrong with one agent's clock, to stand after its name."""
    way = "ahead of" if ahead_s > 0 else "behind"
    return f"its clock is {abs(ahead_s):.0f} s {way} the others', by STAMP's time stamps; set it by NTP"


def clock_words(clocks: Mapping[str, float]) -> str:
    """A sentence on the clocks that are off; empty where none is."""
    wrong = [
        f"that of {name} {abs(s):.0f} s {'ahead of' if s > 0 else 'behind'} the others'"
        for name, s in sorted(clocks.items())
    ]
    if not wrong:
        return ""
    return (
        f"Clocks disagree: {', '.join(wrong)}, by STAMP's time stamps; measurements were put "
        "in line. Set the clock by NTP"
    )
