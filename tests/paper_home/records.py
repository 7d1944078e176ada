"""A run on paper as agents would have stored it: minute records, and the readings beside them."""

from array import array
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from paper_home.flight import NO_SAMPLE, Packets
from paper_home.paper import PaperRun
from whichhop.lab.scenario import QuirkKind
from whichhop.model import ABSENT, Columns, LinkKind, Method, Reading, Record, derive_sessions
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

READ_EACH_S = 10
PROBE_OCTETS = 84
"""A second, each way, of a session over the line: an echo of 56 octets in IPv4 (RFC 791, RFC 792)."""


def _ns(seconds: npt.NDArray[np.floating]) -> npt.NDArray[np.int64]:
    known = np.isfinite(seconds)
    return np.where(known, np.rint(np.where(known, seconds, 0.0).astype(np.float64) * 1e9), ABSENT).astype(
        np.int64
    )


def _column(values: npt.NDArray[np.int64]) -> "array[int]":
    return array("q", values.tobytes())


def records_of_run(run: PaperRun, start_ns: int) -> Iterator[Record]:
    """Every session's minutes; `start_ns` is when the scenario's second 0 was, UTC nanoseconds."""
    for chunk in run.chunks():
        for packets in chunk:
            for i, row in enumerate(packets.rows):
                yield from _session_records(run, packets, i, int(row), start_ns)


def _session_records(run: PaperRun, packets: Packets, i: int, row: int, start_ns: int) -> Iterator[Record]:
    kept = packets.fate[i] != NO_SAMPLE
    # By the agent's clock, whole nanoseconds: its minutes are the record's minutes.
    sent = start_ns + np.rint(packets.sent_s[i][kept] * 1e9).astype(np.int64)
    fate, twice = packets.fate[i][kept], packets.twice[i][kept]
    rtt, out = _ns(packets.rtt_s[i][kept]), _ns(packets.out_s[i][kept])
    minute = sent // NS_PER_MINUTE
    edges = [0, *(np.flatnonzero(np.diff(minute)) + 1).tolist(), len(minute)]
    key = run.sessions[row].key
    for first, last in pairwise(edges):
        if first == last:
            continue
        columns = Columns(
            sent_ns=_column(sent[first:last]),
            fate=array("B", fate[first:last].tobytes()),
            rtt_ns=_column(rtt[first:last]),
            out_ns=_column(out[first:last]),
            queue_ns=_column(np.full(last - first, ABSENT, np.int64)),
        )
        yield Record(
            session=key,
            minute=int(minute[first]),
            samples=columns,
            duplicates=int(twice[first:last].sum()),
            stamps="T1 T2 T3 T4"
            if key.method is Method.STAMP
            else "T1 T4"
            if key.method is Method.ECHO
            else "",
        )


def readings_of_run(run: PaperRun, start_ns: int) -> list[Reading]:
    """Counters of the line, what each agent saw of its own machine, and changed routes, in time order."""
    ends = np.arange(READ_EACH_S, int(run.scenario.seconds) + 1, READ_EACH_S)
    out = list(_counters(run, ends, start_ns)) if run.scenario.counters else []
    for agent in run.scenario.home.agents:
        out.extend(_own_machine(run, agent.name, ends, start_ns))
    for quirk in run.quirks:
        if quirk.kind is QuirkKind.ROUTE_CHANGE:
            target = quirk.element.partition(":")[2]
            for at, value in ((0.0, 1.0), (quirk.at_s, 2.0), (quirk.at_s + quirk.for_s, 1.0)):
                for agent in run.scenario.home.agents:
                    at_ns = start_ns + round(at * NS_PER_S)
                    out.append(Reading(at_ns=at_ns, agent=agent.name, name=f"route:{target}", value=value))
    out.sort(key=lambda r: r.at_ns)
    return out


def _counters(run: PaperRun, ends: npt.NDArray[np.int64], start_ns: int) -> Iterator[Reading]:
    plan, agents = run.scenario.home.plan, run.scenario.home.agents
    if plan is None or not agents:
        return
    ends = ends[(ends % run.scenario.counters_each_s == 0) & (ends <= _heard_until_s(run))]
    # The agents' own packets are counted like any others, so that no counter stands still.
    paths = [s.path.links for s in derive_sessions(run.scenario.home)]
    probes = PROBE_OCTETS * sum(any(link.kind is LinkKind.ACCESS for link in path) for path in paths)
    for name, share, rate_bps in (
        ("wan_tx_bytes", run.up_share, plan.up_bps),
        ("wan_rx_bytes", run.down_share, plan.down_bps),
    ):
        total = np.concatenate(([0.0], np.cumsum(share.astype(np.float64) * rate_bps / 8 + probes)))[ends]
        for end, value in zip(ends.tolist(), np.floor(total).tolist(), strict=True):
            yield Reading(at_ns=start_ns + end * NS_PER_S, agent=agents[0].name, name=name, value=value)


def _heard_until_s(run: PaperRun) -> float:
    """When the last agent fell silent for good; the run's end where one goes on."""
    last = [
        min(
            (
                q.at_s
                for q in run.quirks
                if q.kind is QuirkKind.ABSENT
                and q.element == f"host:{agent.name}"
                and q.at_s + q.for_s >= run.scenario.seconds
            ),
            default=run.scenario.seconds,
        )
        for agent in run.scenario.home.agents
    ]
    return max(last)


def _own_machine(run: PaperRun, agent: str, ends: npt.NDArray[np.int64], start_ns: int) -> Iterator[Reading]:
    """Loop lateness and steal of one agent; a sleeping or absent agent reads nothing."""
    # Stamped by the agent's own clock, which a scenario may set minutes off.
    off_ns = round(run.scenario.clocks_s.get(agent, 0.0) * NS_PER_S)
    late = np.full(len(ends), 0.0005)
    steal = np.zeros(len(ends))
    silent = np.zeros(len(ends), bool)
    for quirk in run.quirks:
        if quirk.element != f"host:{agent}":
            continue
        during = (ends > quirk.at_s) & (ends - READ_EACH_S < quirk.at_s + quirk.for_s)
        if quirk.kind in (QuirkKind.ASLEEP, QuirkKind.ABSENT):
            silent |= during
        if quirk.kind in (QuirkKind.BUSY, QuirkKind.STEAL):
            # The tail of an exponential: its 95 % point stands for the tick's worst lateness.
            late[during] = np.maximum(late[during], 3.0 * quirk.size)
        if quirk.kind is QuirkKind.STEAL:
            steal[during] = np.maximum(steal[during], min(0.5, quirk.size))
    for end, lateness, stolen in zip(
        ends[~silent].tolist(), late[~silent].tolist(), steal[~silent].tolist(), strict=True
    ):
        at_ns = start_ns + end * NS_PER_S + off_ns
        yield Reading(at_ns=at_ns, agent=agent, name="loop_lateness_s", value=lateness)
        yield Reading(at_ns=at_ns, agent=agent, name="steal_ratio", value=stolen)
