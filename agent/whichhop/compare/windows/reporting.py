"""Which ticks have no evidence: the agent slept, was busy or not heard of, or a transfer of ours ran."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.windows.table import WindowTable
from whichhop.model import LinkKind, Medium, Method, Reading, Session
from whichhop.model.transfer import BEGINS, SECONDS, figure_of
from whichhop.model.units import NS_PER_S

DRAIN_NS = 2 * NS_PER_S
"""What a transfer queued is still in the way for so long after it."""


class Moved(Struct, frozen=True, kw_only=True):
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
LATE_GRID_S, LATE_LOG = (0.002, 0.010), (-2.0, 0.0)
"""A machine whose program runs within two milliseconds is no machine that delays packets by five (the least
that is looked for), but for one in seven such ticks: its lower layers may still. From ten on it may."""
LATENESS, STEAL = "loop_lateness_s", "steal_ratio"
_BOTH = frozenset({"T1", "T4"})
"""A round trip's own end: sending and arrival."""


class Reporting(Struct, frozen=True, kw_only=True):
    """speaks: (ticks, sessions), True where a sample is evidence. watched: agents of which a reading says
    that they were fit to speak, so that a busy one would have been noticed. aside: (ticks, agents in
    `agents`), set aside.
    late_s: (ticks, agents), how late its program was at the worst by its own readings; NaN where none
    tells."""

    speaks: Mask
    watched: frozenset[str]
    agents: tuple[str, ...]
    aside: Mask
    late_s: NDArray[np.float32]


def widened(mask: Mask, by: int = 1) -> Mask:
    """The mask with `by` ticks more on either side: sleep and waking fall inside ticks."""
    out = mask.copy()
    for shift in range(1, by + 1):
        out[shift:] |= mask[:-shift]
        out[:-shift] |= mask[shift:]
    return out


def reporting_of(table: WindowTable, sessions: Sequence[Session], readings: Iterable[Reading]) -> Reporting:
    """What may be heard of each session in each tick; the table's columns are in the sessions' order."""
    agents = tuple(dict.fromkeys(s.key.agent for s in sessions))
    of_agent = np.array([[s.key.agent == a for s in sessions] for a in agents], dtype=bool)
    readings = tuple(readings)
    busy, watched, late_s = _by_readings(table, agents, readings, _kernel_timed(table))
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
    boxes = boxes_of(sessions)
    speaks = ~aside[:, of_agent.argmax(axis=0)]
    for j, session in enumerate(sessions):
        if session.key.target in agents:
            # What a starved machine answers late is as little evidence as what it asks late.
            theirs = aside[:, agents.index(session.key.target)]
            if session.key.target in boxes:
                # A box that forwards does not go to sleep: one that is neither heard nor answers is dead.
                there = gone[:, agents.index(session.key.target)]
                theirs = theirs & ~(there & (table.lost[:, j] == table.sent[:, j]))
            speaks[:, j] &= ~theirs
    # MOST_ASIDE of one session's own tick, in whole numbers: a month of ticks is too much for floats.
    speaks &= table.aside <= table.sent // ASIDE_PER_SENT
    speaks &= table.sent > 0
    speaks &= ~disturbed(table, sessions, readings)
    return Reporting(speaks=speaks, watched=watched, agents=agents, aside=aside, late_s=late_s)


NEVER = 2**62
"""A tick that does not come."""


def first_answers(table: WindowTable) -> NDArray[np.int64]:
    """The tick in which each session was answered first, NEVER where none was; (sessions,)."""
    if not table.ticks:
        return np.full(len(table.sessions), NEVER, dtype=np.int64)
    answered = table.sent > table.lost
    return np.where(answered.any(axis=0), answered.argmax(axis=0), NEVER).astype(np.int64)


def mute_boxes(first: NDArray[np.int64], ticks: range, sessions: Sequence[Session]) -> Mask:
    """Where a session says nothing since its box never answers: (ticks, sessions).

    Many a router or provider's first hop passes everything on and answers nobody. Shown by a session of the
    same agent that goes through the box and was answered: until then all may be lost for another reason.
    first: the tick of each session's first answer.
    """
    out = np.zeros((len(ticks), len(sessions)), dtype=bool)
    at = np.arange(ticks.start, ticks.stop)
    for j in np.flatnonzero(first >= ticks.start).tolist():
        key = sessions[j].key
        passing = [
            i
            for i, other in enumerate(sessions)
            if other.key.agent == key.agent and key.target in other.path.nodes[1:-1]
        ]
        if passing and key.method is not Method.LOOKUP:
            out[:, j] = (at < first[j]) & (at >= first[passing].min())
    return out


def host_log_ratio(late_s: NDArray[np.float32]) -> NDArray[np.float64]:
    """Per tick the log-ratio that a machine whose program was so late delays what it measures; 0 unknown."""
    value = np.interp(late_s, LATE_GRID_S, LATE_LOG)
    return np.where(np.isnan(late_s), 0.0, value)


def boxes_of(sessions: Sequence[Session]) -> frozenset[str]:
    """The nodes that pass others' packets on, as far as paths show: what links lead to, and what joins a home
    by a backhaul whether or not it serves anybody."""
    links = {link for s in sessions for link in s.path.links}
    return frozenset(k.far for k in links) | {k.near for k in links if k.kind is LinkKind.BACKHAUL}


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
) -> tuple[Mask, frozenset[str], NDArray[np.float32]]:
    place = {a: i for i, a in enumerate(agents)}
    start_ns, end_ns = table.start_ns, table.at_ns(table.ticks)
    of_both = [
        r
        for r in readings
        if r.name in (LATENESS, STEAL) and r.agent in place and start_ns <= r.at_ns < end_ns
    ]
    since_ns = np.array([r.at_ns for r in of_both], dtype=np.int64) - start_ns
    column = np.array([place[r.agent] for r in of_both], dtype=np.intp)
    value = np.array([r.value for r in of_both], dtype=np.float64)
    lateness = np.array([r.name == LATENESS for r in of_both], dtype=bool)
    tick = since_ns // table.step_ns
    told = np.zeros((table.ticks, len(agents)), dtype=bool)
    told[tick, column] = True
    by_kernel = np.array([a in kernel_timed for a in agents], dtype=bool)[column]
    limit = np.where(by_kernel, MOST_LATENESS_KERNEL_S, MOST_LATENESS_S)
    busy = np.zeros_like(told)
    for i in np.flatnonzero(value > np.where(lateness, limit, MOST_STEAL)).tolist():
        # A reading tells of the second before it, or of as long as the program was late.
        late_s = max(1.0, value[i]) if lateness[i] else 1.0
        first = (int(since_ns[i]) - round(late_s * NS_PER_S)) // table.step_ns
        busy[max(0, first) : tick[i] + 1, column[i]] = True
    worst = np.full(told.shape, -np.inf, dtype=np.float32)
    # At a tick's very end it tells of that tick.
    ended = np.maximum(since_ns[lateness] - 1, 0) // table.step_ns
    np.maximum.at(worst, (ended, column[lateness]), value[lateness].astype(np.float32))
    worst[np.isinf(worst)] = np.nan
    fit = np.asarray((told & ~busy).any(axis=0))
    return busy, frozenset(agent for agent, i in place.items() if fit[i]), worst


class AsideTicks(Struct, frozen=True, kw_only=True):
    """Ticks of a stretch in which an agent was set aside: all of them, those up to and with the first window
    in which it was there, those from the last such on; there: whether there was one."""

    total: int
    lead: int = 0
    trail: int = 0
    there: bool = False


def aside_ticks(reporting: Reporting, table: WindowTable) -> dict[str, AsideTicks]:
    """By agent, of the whole table."""
    out = {}
    for column, agent in enumerate(reporting.agents):
        mine = [j for j, key in enumerate(table.sessions) if key.agent == agent]
        there = np.flatnonzero(table.sent[:, mine].any(axis=1) | table.aside[:, mine].any(axis=1))
        aside = reporting.aside[:, column]
        out[agent] = AsideTicks(
            total=int(np.count_nonzero(aside)),
            lead=int(np.count_nonzero(aside[: there[0] + 1])) if there.size else 0,
            trail=int(np.count_nonzero(aside[there[-1] :])) if there.size else 0,
            there=bool(there.size),
        )
    return out


def aside_between(parts: Sequence[AsideTicks]) -> int:
    """Ticks set aside between the first and the last window in which an agent was there, over stretches one
    after the other."""
    there = [i for i, part in enumerate(parts) if part.there]
    if not there:
        return 0
    total = sum(part.total for part in parts[there[0] : there[-1] + 1])
    return max(0, total - parts[there[0]].lead - parts[there[-1]].trail)


def unjudged_s(parts: Sequence[Mapping[str, AsideTicks]], step_ns: int) -> dict[str, float]:
    """Seconds of windows in which an agent was set aside, by agent; those without any are left out.

    Between an agent's first and last window only: what came before or after was never measured. parts: of
    stretches one after the other, a span's days or the whole of it.
    """
    none = AsideTicks(total=0)
    agents = dict.fromkeys(agent for part in parts for agent in part)
    counts = {agent: aside_between([part.get(agent, none) for part in parts]) for agent in agents}
    return {agent: count * step_ns / NS_PER_S for agent, count in counts.items() if count}
