"""Whole homes in which one hop, for a while, has a known cause inside: what agents would have stored.

A second mind beside `drawn_hop`: nothing of the room `inside` is used here, nor are its units. Health comes
from `standing.homes` (ranges of published figures); what a cause does is written in `causes_of_homes`. The
packets are seen through the public path alone: records and readings in, `compare` and its verdicts out.
"""

import itertools
from array import array
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from standing.homes import draw_home, draw_quick, elements_in, sessions_of
from standing.packets import draw_packets
from whichhop.daemon.schedule import STEP_NS, STEPS
from whichhop.model import (
    ABSENT,
    Columns,
    Fate,
    Home,
    Link,
    LinkKind,
    Medium,
    Method,
    Plan,
    Reading,
    Record,
    Session,
)
from whichhop.model.hop_facts import HopFacts, readings_of
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
MIDNIGHT_NS = 1_767_225_600 * NS_PER_S
"""2026-01-01 00:00 UTC, a whole day; the homes keep UTC."""
EACH_S = 30
"""Counters are read so often here."""


class Hop(Struct):
    """What crosses the hop, packet by packet, in order of time: a cause adds to it in place.

    at_s: when a packet meets the hop, seconds since the run began; up: whether it goes toward the provider
    there. wait_s, gone: what the hop does to it. row: its session. began, ended: the cause's own span.
    """

    rng: np.random.Generator
    at_s: Floats
    up: Bools
    row: NDArray[np.int64]
    wait_s: Floats
    gone: Bools
    began: float
    ended: float
    near_asks: bool
    """Whether some session is sent from beyond the hop's near end."""
    clock_s: float = 0.0
    """Seconds after midnight of the run's begin."""
    facts: dict[str, float] = field(default_factory=dict)
    """What counters would say while the cause is there, by their name in model/hop_facts.py."""
    healthy: dict[str, float] = field(default_factory=dict)
    use_down: Floats | None = None
    use_up: Floats | None = None
    """Share of the line's rate, a second each; None: little."""
    sometimes: list[tuple[float, dict[str, float]]] = field(default_factory=list)
    """Facts read at single moments, such as an uptime that went back."""

    def during(self) -> Bools:
        """The packets that meet the hop while the cause is there."""
        return (self.at_s >= self.began) & (self.at_s < self.ended)

    def hold(self, which: Bools, wait_s: Floats | float) -> None:
        """Let some packets wait."""
        self.wait_s[which] += wait_s

    def take(self, which: Bools, share: float | Floats = 1.0) -> None:
        """Lose a share of some packets."""
        chance = np.broadcast_to(np.asarray(share, float), self.at_s.shape)
        self.gone |= which & (self.rng.random(self.at_s.size) < chance)


Cause = Callable[[Hop], None]


class Run(Struct, frozen=True, kw_only=True):
    """One home's run as it would be stored."""

    home: Home
    link: Link
    records: tuple[Record, ...]
    readings: tuple[Reading, ...]
    start_ns: int
    end_ns: int
    began_ns: int
    ended_ns: int


def _home_with(rng: np.random.Generator, wanted: Medium, place: str) -> tuple[Home, Link]:
    """A home of one to six agents with a hop of a medium in a place: end, backhaul, wired or line."""
    backhaul = wanted if place == "backhaul" else None
    access = wanted if place == "line" else None
    for _ in range(200):
        shape = None if place in ("backhaul", "wired") or rng.random() < 0.75 else "gateway"
        home = draw_home(rng, shape, access, backhaul)
        kinds = {
            "end": (LinkKind.WIRELESS,),
            "backhaul": (LinkKind.BACKHAUL,),
            "wired": (LinkKind.WIRED, LinkKind.BACKHAUL),
            "line": (LinkKind.ACCESS,),
        }[place]
        crossed = {k.name for s in sessions_of(home) for k in s.path.links}
        found = [k for k in home.links if k.kind in kinds and k.medium is wanted and k.name in crossed]
        if place == "wired":  # one end has to answer, or the cable is not told from the box behind it
            found = [k for k in found if home.nodes[k.near].agent or home.nodes[k.far].agent]
        if found:
            return home, found[int(rng.integers(0, len(found)))]
    raise AssertionError(f"no home with {wanted} as {place}")


def _legs(session: Session, link: Link) -> tuple[int, bool] | None:
    """Which link of its way the hop is, and whether the asking packet goes up there; None: not crossed."""
    for i, one in enumerate(session.path.links):
        if one.name == link.name:
            return i, session.path.nodes[i] == link.near
    return None


def draw(
    rng: np.random.Generator,
    place: str,
    medium: Medium,
    causes: tuple[Cause, ...],
    *,
    hours: float,
    from_first: bool,
    counters: str,
    lasts_s: float | None = None,
) -> Run:
    """A home, its packets and its counters. counters: "none", "some" or "all" of what a cause would show."""
    home, link = _home_with(rng, medium, place)
    home = replace(home, plan=Plan(down_bps=int(rng.choice([50, 100, 250, 500])) * 10**6, up_bps=20_000_000))
    seconds = round(hours * 3600 / 60) * 60
    sessions = sessions_of(home)
    elements = elements_in(home, sessions)
    quick = {e.name: draw_quick(rng, home, e) for e in elements}
    base = draw_packets(rng, elements, quick, sessions=len(sessions), seconds=seconds)
    phase = rng.uniform(0, 0.95, len(sessions))
    sent = np.arange(seconds)[None, :] + phase[:, None] + rng.normal(0, 4e-4, (len(sessions), seconds))
    sent += rng.integers(0, STEPS, sent.shape) * (STEP_NS * 1e-9)
    began = 0.0 if from_first else float(rng.uniform(900, 1500))
    ended = float(seconds) if lasts_s is None else min(float(seconds), began + lasts_s)
    hop, place_of = _hop(rng, sessions, link, sent, base.rtt_s, began, ended)
    for cause in causes:
        cause(hop)
    wait = np.zeros((2, len(sessions), seconds))
    gone = np.zeros((len(sessions), seconds), bool)
    leg, row, second = place_of
    np.add.at(wait, (leg, row, second), hop.wait_s)
    np.logical_or.at(gone, (row, second), hop.gone)
    start_ns = MIDNIGHT_NS + round(hop.clock_s) * NS_PER_S
    start_ns -= start_ns % NS_PER_MINUTE
    trip_s = np.where(gone | np.isnan(base.rtt_s), np.nan, base.rtt_s + wait.sum(axis=0))
    trip_s[trip_s > 2.0] = np.nan  # given up
    out = np.where(np.isnan(trip_s), np.nan, base.rtt_s / 2 + wait[0])
    records = tuple(_records(sessions, sent, trip_s, out, start_ns, rng))
    readings = tuple(
        sorted(_readings(home, link, hop, seconds, start_ns, counters, rng), key=lambda r: r.at_ns)
    )
    return Run(
        home=home, link=link, records=records, readings=readings, start_ns=start_ns,
        end_ns=start_ns + seconds * NS_PER_S, began_ns=start_ns + round(began * 1e9),
        ended_ns=start_ns + round(ended * 1e9),
    )  # fmt: skip


def _hop(
    rng: np.random.Generator,
    sessions: tuple[Session, ...],
    link: Link,
    sent: Floats,
    rtt_s: Floats,
    began: float,
    ended: float,
) -> tuple[Hop, tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]]:
    """Both ways of every packet over the hop: the asking one early, the answer near the end of the trip."""
    at, up, leg, row, second = [], [], [], [], []
    seconds = sent.shape[1]
    near_asks = False
    for i, session in enumerate(sessions):
        found = _legs(session, link)
        if found is None:
            continue
        index, goes_up = found
        part = (index + 0.5) / len(session.path.links) / 2
        trip = np.nan_to_num(rtt_s[i])
        near_asks |= goes_up
        for which, when, way in ((0, part, goes_up), (1, 1 - part, not goes_up)):
            at.append(sent[i] + trip * when)
            up.append(np.full(seconds, way))
            leg.append(np.full(seconds, which))
            row.append(np.full(seconds, i))
            second.append(np.arange(seconds))
    joined = [np.concatenate(x) for x in (at, up, leg, row, second)]
    order = np.argsort(joined[0], kind="stable")
    moment, going_up, leg_, row_, second_ = (x[order] for x in joined)
    hop = Hop(
        rng=rng, at_s=moment, up=going_up.astype(bool), row=row_.astype(np.int64),
        wait_s=np.zeros(moment.size), gone=np.zeros(moment.size, bool), began=began, ended=ended,
        near_asks=near_asks, clock_s=float(rng.uniform(0, 86_400)),
    )  # fmt: skip
    return hop, (leg_.astype(np.int64), row_.astype(np.int64), second_.astype(np.int64))


def _records(
    sessions: tuple[Session, ...],
    sent: Floats,
    trip_s: Floats,
    out: Floats,
    start_ns: int,
    rng: np.random.Generator,
) -> Iterator[Record]:
    for i, session in enumerate(sessions):
        off = rng.uniform(-0.02, 0.02)  # the two clocks' disagreement
        stamp = session.key.method is Method.STAMP
        sent_ns = start_ns + np.rint(sent[i] * 1e9).astype(np.int64)
        lost = np.isnan(trip_s[i])
        trip_ns = np.where(lost, ABSENT, np.rint(np.nan_to_num(trip_s[i]) * 1e9)).astype(np.int64)
        told = np.rint((np.nan_to_num(out[i]) + off) * 1e9)
        out_ns = np.where(lost | (not stamp), ABSENT, told).astype(np.int64)
        fate = np.where(lost, Fate.LOST, Fate.ANSWERED).astype(np.uint8)
        minute = sent_ns // NS_PER_MINUTE
        edges = [0, *(np.flatnonzero(np.diff(minute)) + 1).tolist(), len(minute)]
        for a, b in itertools.pairwise(edges):
            yield Record(
                session=session.key,
                minute=int(minute[a]),
                samples=Columns(
                    sent_ns=array("q", sent_ns[a:b].tobytes()),
                    fate=array("B", fate[a:b].tobytes()),
                    rtt_ns=array("q", trip_ns[a:b].tobytes()),
                    out_ns=array("q", out_ns[a:b].tobytes()),
                    queue_ns=array("q", np.full(b - a, ABSENT, np.int64).tobytes()),
                ),
                stamps="T1 T2 T3 T4" if stamp else "T1 T4",
            )


SOME = ("radio_signal_dbm", "port_speed_bps", "node_uptime_s", "radio_rate_bps")
"""What homes with some counters have: what every system tells without a right."""


def _readings(
    home: Home, link: Link, hop: Hop, seconds: int, start_ns: int, counters: str, rng: np.random.Generator
) -> Iterator[Reading]:
    for one in home.agents:
        for each in range(EACH_S, seconds, EACH_S):
            at_ns = start_ns + each * NS_PER_S
            yield Reading(at_ns=at_ns, agent=one.name, name="loop_lateness_s", value=0.0005)
    if link.kind is LinkKind.ACCESS:
        yield from _line_counters(home, hop, seconds, start_ns, rng)
    ends = [n for n in (link.near, link.far) if home.nodes[n].agent]
    if counters == "none" or not ends:
        return
    agent = ends[0]
    other = link.far if agent == link.near else link.near
    moments: list[tuple[float, dict[str, float]]] = [
        (float(at), hop.facts if hop.began <= at < hop.ended else hop.healthy)
        for at in range(EACH_S, seconds, EACH_S)
    ]
    for at, values in (*moments, *hop.sometimes):
        kept: dict[str, Any] = {
            k: v + (rng.normal(0, 1.0) if k == "radio_signal_dbm" else 0.0)
            for k, v in values.items()
            if counters == "all" or k in SOME
        }
        facts = HopFacts(agent=agent, other=other, link=link.name, at_ns=start_ns + round(at * 1e9), **kept)
        yield from readings_of(facts)


def _line_counters(
    home: Home, hop: Hop, seconds: int, start_ns: int, rng: np.random.Generator
) -> Iterator[Reading]:
    """Two homes in three count what crosses their line; where the cause is the home's own use, all do."""
    if hop.use_down is None and hop.use_up is None and rng.random() > 2 / 3:
        return
    assert home.plan is not None
    little = np.clip(rng.normal(0.04, 0.03, seconds), 0, 0.2)
    for name, share, rate in (
        ("wan_rx_bytes", hop.use_down, home.plan.down_bps),
        ("wan_tx_bytes", hop.use_up, home.plan.up_bps),
    ):
        total = np.cumsum((little if share is None else share) * rate / 8)
        for at in range(10, seconds, 10):
            yield Reading(
                at_ns=start_ns + at * NS_PER_S,
                agent=home.agents[0].name,
                name=name,
                value=float(total[at - 1]),
            )
