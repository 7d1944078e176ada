"""Which ticks have no evidence: the agent slept, was busy or not heard of, or a transfer of ours ran."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.windows.own_transfers import disturbed
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Reading, Session
from whichhop.model.units import NS_PER_S

Mask = NDArray[np.bool_]

MOST_ASIDE = 0.2
"""With more of an agent's packets set aside than this, its whole tick is."""
ASIDE_PER_SENT = 4
"""The same share, as packets sent for each one set aside."""
ASLEEP = 0.5
"""With more than this, it was not there at all, and could not answer others either."""
MOST_LATENESS_S = 0.05
MOST_STEAL = 0.25
"""Above these the agent's own lateness could be read as delay of the path (common practice)."""
MOST_LATENESS_KERNEL_S = 0.5
"""The same for an agent whose kernel stamps its packets: on time whether or not its program runs, so that
only a standstill counts that must have held up the kernel too, as where the agent vets its own samples."""
LATENESS, STEAL = "loop_lateness_s", "steal_ratio"
_BOTH = frozenset({"T1", "T4"})
"""A round trip's own end: sending and arrival."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Alibi:
    """speaks: (ticks, sessions), True where a sample is evidence. watched: agents whose readings are there,
    so that a busy agent would have been noticed. aside: (ticks, agents in `agents`), set aside."""

    speaks: Mask
    watched: frozenset[str]
    agents: tuple[str, ...]
    aside: Mask


def widened(mask: Mask, by: int = 1) -> Mask:
    """The mask with `by` ticks more on either side: sleep and waking fall inside ticks."""
    out = mask.copy()
    for shift in range(1, by + 1):
        out[shift:] |= mask[:-shift]
        out[:-shift] |= mask[shift:]
    return out


def alibi_of(table: WindowTable, sessions: Sequence[Session], readings: Iterable[Reading]) -> Alibi:
    """What may be heard of each session in each tick; the table's columns are in the sessions' order."""
    agents = tuple(dict.fromkeys(s.key.agent for s in sessions))
    of_agent = np.array([[s.key.agent == a for s in sessions] for a in agents], dtype=bool)
    readings = tuple(readings)
    busy, watched = _by_readings(table, agents, readings, _kernel_timed(table))
    sent = np.stack([table.sent[:, row].sum(axis=1, dtype=np.int64) for row in of_agent], axis=1)
    put = np.stack([table.aside[:, row].sum(axis=1, dtype=np.int64) for row in of_agent], axis=1)
    share = put / np.maximum(sent + put, 1)
    aside = busy | (share > MOST_ASIDE)
    gone = share > ASLEEP
    heard = sent > 0
    others = heard.any(axis=1, keepdims=True)
    # Not heard of while others are: asleep, off, or its records are still on the way.
    gone |= ~heard & others
    gone = widened(gone)
    aside |= gone
    speaks = ~aside[:, of_agent.argmax(axis=0)]
    for j, session in enumerate(sessions):
        if session.key.target in agents:
            # What a starved machine answers late is as little evidence as what it asks late.
            speaks[:, j] &= ~aside[:, agents.index(session.key.target)]
    # MOST_ASIDE of one session's own tick, in whole numbers: a month of ticks is too much for floats.
    speaks &= table.aside <= table.sent // ASIDE_PER_SENT
    speaks &= table.sent > 0
    speaks &= ~disturbed(table, sessions, readings)
    return Alibi(speaks=speaks, watched=watched, agents=agents, aside=aside)


def _kernel_timed(table: WindowTable) -> frozenset[str]:
    """The agents whose kernel takes sending and arrival, in every session of which it is known.

    One record is enough: a kernel begins to stamp a moment after a socket asked for it.
    """
    known = {key.agent for key in table.stamps}
    by_program = {
        key.agent for key, groups in table.stamps.items() if not any(set(g.split()) >= _BOTH for g in groups)
    }
    return frozenset(known - by_program)


def _by_readings(
    table: WindowTable, agents: Sequence[str], readings: Iterable[Reading], kernel_timed: frozenset[str]
) -> tuple[Mask, frozenset[str]]:
    busy = np.zeros((table.ticks, len(agents)), dtype=bool)
    watched = set()
    place = {a: i for i, a in enumerate(agents)}
    for reading in readings:
        if reading.name not in (LATENESS, STEAL) or reading.agent not in place:
            continue
        limit = MOST_STEAL
        if reading.name == LATENESS:
            limit = MOST_LATENESS_KERNEL_S if reading.agent in kernel_timed else MOST_LATENESS_S
        tick = (reading.at_ns - table.start_ns) // table.step_ns
        if 0 <= tick < table.ticks:
            watched.add(reading.agent)
            if reading.value > limit:
                # A reading tells of the second before it, or of as long as the program was late.
                late_s = max(1.0, reading.value) if reading.name == LATENESS else 1.0
                first = (reading.at_ns - round(late_s * NS_PER_S) - table.start_ns) // table.step_ns
                busy[max(0, first) : tick + 1, place[reading.agent]] = True
    return busy, frozenset(watched)
