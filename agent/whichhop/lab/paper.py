"""The home on paper: every test packet of every session drawn from a scenario, seeded, hours in a second."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from whichhop.lab.crossings import Crossing, Rows, air_links, link_crossings, pseudo_crossing
from whichhop.lab.flight import Delays, Flight, Packets
from whichhop.lab.natural import (
    AGENT_HOST,
    LOOKUP_REPLY,
    RETRY_SIGMA,
    Noise,
    natural_quirks,
    natural_spells,
    noise_of,
    reply_noise,
)
from whichhop.lab.quirks import agent_clock_s, apply_quirks
from whichhop.lab.scenario import Quirk, Scenario, Way
from whichhop.lab.tracks import Spell, Track, gilbert, overlapping, spell_of
from whichhop.lab.traffic import add_transfers, ordinary_share, queue_delay_s
from whichhop.model import Fate, Link, LinkKind, Method, Session, SessionKey, derive_sessions

CHUNK_S = 3600
WAIT_S = 3.0
LOOKUP_INTERVAL_S = 2.5
SILENT = Noise(jitter_s=0.0)


@dataclass(slots=True)
class PaperRun:
    """A scenario made ready: its sessions, its spells and the home's own traffic."""

    scenario: Scenario
    sessions: tuple[Session, ...]
    quirks: tuple[Quirk, ...]
    spells: list[Spell]
    up_share: npt.NDArray[np.float32]
    down_share: npt.NDArray[np.float32]
    offsets_s: dict[str, float]
    seed: np.random.SeedSequence
    queues: dict[Way, tuple[Delays, Delays]] = field(default_factory=dict)

    def chunks(self) -> Iterator[list[Packets]]:
        """The packets, an hour at a time; one Packets for each interval among the sessions."""
        seconds = self.scenario.seconds
        seeds = self.seed.spawn(int(np.ceil(seconds / CHUNK_S)))
        intervals = sorted({s.interval_s for s in self.sessions})
        phases = np.random.default_rng(self.seed.spawn(1)[0]).uniform(0, 1, len(self.sessions))
        for i, seed in enumerate(seeds):
            start = i * CHUNK_S
            rng = np.random.default_rng(seed)
            tracks = _Tracks(self, start, min(CHUNK_S, seconds - start))
            out = []
            for interval in intervals:
                rows = np.flatnonzero([s.interval_s == interval for s in self.sessions])
                out.append(_fly(self, tracks, rows, interval, phases[rows] * interval, rng))
            yield out


def lookup_sessions(scenario: Scenario) -> list[Session]:
    """Each agent's questions to each resolver; derive_sessions knows of none, as no home file names one."""
    out = []
    for agent in scenario.home.agents:
        for name, place in scenario.resolvers.items():
            path = scenario.home.path(agent.name, place)
            if path is not None:
                key = SessionKey(agent=agent.name, target=name, method=Method.LOOKUP)
                out.append(Session(key=key, address=None, path=path, interval_s=LOOKUP_INTERVAL_S))
    return out


def sessions_of(scenario: Scenario) -> tuple[Session, ...]:
    """All sessions of a scenario's home: the derived ones, then the lookups."""
    return (*derive_sessions(scenario.home), *lookup_sessions(scenario))


def _clock_offsets(scenario: Scenario, rng: np.random.Generator) -> dict[str, float]:
    """How far each agent's clock is off, seconds: mostly tens of milliseconds, one in ten seconds."""
    out = {}
    for agent in scenario.home.agents:
        far = rng.random() < 0.1
        out[agent.name] = float(rng.normal(0, 1.2 if far else 0.03)) * min(scenario.noise, 1.0)
    return out


def prepare(scenario: Scenario, seed: int) -> PaperRun:
    """Draw what a whole run has in common: passing disturbances, quirks, own traffic, clocks."""
    root = np.random.SeedSequence(seed)
    spells_rng, traffic_rng, clock_rng, quirk_rng = (np.random.default_rng(s) for s in root.spawn(4))
    whole = int(np.ceil(scenario.seconds))
    spells = [spell_of(f) for f in scenario.faults]
    quirks = scenario.quirks
    up, down = np.zeros(whole, np.float32), np.zeros(whole, np.float32)
    if scenario.noise > 0:
        spells += natural_spells(scenario.home, scenario.seconds, spells_rng, scenario.noise)
        quirks += tuple(natural_quirks(scenario.home, scenario.seconds, quirk_rng))
        up, down = ordinary_share(whole, traffic_rng)
    add_transfers(up, down, quirks, traffic_rng)
    aired = []
    for spell in spells:
        node = spell.element.removeprefix("air:")
        names = air_links(scenario.home, node) if node != spell.element else (spell.element,)
        aired += [spell if n == spell.element else replace(spell, element=n) for n in names]
    run = PaperRun(
        scenario=scenario,
        sessions=sessions_of(scenario),
        quirks=quirks,
        spells=aired,
        up_share=up,
        down_share=down,
        offsets_s=_clock_offsets(scenario, clock_rng),
        seed=root,
    )
    _fill_queues(run, traffic_rng)
    return run


def _access(run: PaperRun) -> Link | None:
    return next((k for k in run.scenario.home.links if k.kind is LinkKind.ACCESS), None)


def _fill_queues(run: PaperRun, rng: np.random.Generator) -> None:
    """What own traffic makes packets wait before the access line, each way."""
    plan, link = run.scenario.home.plan, _access(run)
    if plan is None or link is None:
        return
    nature = run.scenario.natures.get(link.name)
    queue_s = nature.queue_s if nature else 0.1
    run.queues[Way.UP] = queue_delay_s(run.up_share, plan.up_bps, queue_s, rng)
    # The provider's queue toward the home is a third as deep; common practice.
    run.queues[Way.DOWN] = queue_delay_s(run.down_share, plan.down_bps, queue_s / 3, rng)


class _Tracks:
    """The tracks of one chunk by element and direction, made where something happens."""

    def __init__(self, run: PaperRun, start_s: float, seconds: float) -> None:
        self.start_s, self.seconds = start_s, seconds
        self.spells = overlapping(run.spells, start_s, start_s + seconds)
        self.bursts = [s for s in self.spells if s.burst is not None]
        self._tracks: dict[tuple[str, Way], Track] = {}
        for spell in self.spells:
            for way in (Way.UP, Way.DOWN):
                if spell.goes(way):
                    self._track(spell.element, way).lay(spell)
        link = _access(run)
        if link is None:
            return
        first, last = int(start_s), int(np.ceil(start_s + seconds))
        for way, (delay, drop) in run.queues.items():
            track = self._track(link.name, way)
            n = len(track.delay_s)
            track.delay_s += np.repeat(delay[first:last], 10)[:n]
            lost = np.repeat(drop[first:last], 10)[:n]
            track.loss_ratio[:] = 1 - (1 - track.loss_ratio) * (1 - lost)

    def _track(self, element: str, way: Way) -> Track:
        if (element, way) not in self._tracks:
            self._tracks[element, way] = Track.empty(self.start_s, self.seconds)
        return self._tracks[element, way]

    def get(self, element: str, way: Way) -> Track | None:
        """The track, or None where nothing happens."""
        return self._tracks.get((element, way))

    @property
    def elements(self) -> set[str]:
        """Elements at which something happens."""
        return {element for element, _ in self._tracks}


def _fly(
    run: PaperRun,
    tracks: _Tracks,
    rows: Rows,
    interval_s: float,
    phase_s: npt.NDArray[np.float64],
    rng: np.random.Generator,
) -> Packets:
    """Draw one chunk's packets of the sessions `rows`, which share an interval."""
    sessions = [run.sessions[r] for r in rows]
    n = int(tracks.seconds // interval_s)
    sent = tracks.start_s + phase_s[:, None] + np.arange(n) * interval_s
    off = np.stack(
        [agent_clock_s(run.quirks, s.key.agent, run.offsets_s, sent[i]) for i, s in enumerate(sessions)]
    )
    flight = Flight.start(sessions, sent - off, rng)
    _cross_all(run, tracks, flight)
    apply_quirks(run.quirks, flight)
    target_off = np.array([run.offsets_s.get(s.key.target, 0.0) for s in sessions])
    return _landed(flight, rows, tracks.start_s, interval_s, sent, off, target_off)


def _cross_all(run: PaperRun, tracks: _Tracks, flight: Flight) -> None:
    """Let the packets meet every link and every pseudo-element at which something happens."""
    scenario, noisy = run.scenario, run.scenario.noise > 0
    links = {k.name: k for k in scenario.home.links}
    for name, crossing in link_crossings(flight.sessions).items():
        nature = scenario.natures.get(name)
        noise = noise_of(links[name]) if noisy else SILENT
        base = nature.delay_s if nature else 0.0
        if nature is not None and nature.jitter_s + nature.loss_ratio > 0:
            noise = replace(noise, jitter_s=nature.jitter_s, loss_ratio=nature.loss_ratio)
        _cross(flight, name, crossing, tracks, noise, base)
    ends: dict[str, tuple[Noise, float]] = {}
    for session in flight.sessions:
        key = session.key
        ends[f"host:{key.agent}"] = (AGENT_HOST, 0.0)
        if key.method is Method.LOOKUP:
            ends[f"resolver:{key.target}"] = (LOOKUP_REPLY, 0.0)
            continue
        node = scenario.home.nodes[key.target]
        ends[f"reply:{key.target}"] = (reply_noise(node.kind, agent=node.agent), 0.0)
        way = scenario.natures.get(f"destination:{key.target}")
        ends[f"destination:{key.target}"] = (SILENT, way.delay_s if way else 0.0)
    for name in tracks.elements:
        if name.startswith("node:"):
            ends[name] = (SILENT, 0.0)
    for name, (noise, base) in ends.items():
        crossing = pseudo_crossing(name, flight.sessions)
        if len(crossing.rows):
            # Sorted out before noise: a host or responder adds its noise once a round trip, on the leg back.
            _cross(flight, name, crossing, tracks, noise if noisy else SILENT, base)


def _cross(
    flight: Flight, name: str, crossing: Crossing, tracks: _Tracks, noise: Noise, base_s: float
) -> None:
    """One element's base delay, noise, disturbances and losses, in both directions."""
    once = ":" in name
    for way in (Way.UP, Way.DOWN):
        track = tracks.get(name, way)
        for rows, back in zip(crossing.legs(way), (False, True), strict=True):
            if len(rows) == 0:
                continue
            delay, lost = flight.leg(back)
            added, gone = _draw(
                noise if back or not once else SILENT, (len(rows), delay.shape[1]), flight.rng
            )
            added += np.float32(base_s)
            if track is not None:
                steps = track.at(flight.true_s[rows])
                jitter = track.jitter_s[steps]
                added += track.delay_s[steps]
                added += jitter * flight.rng.standard_exponential(added.shape, np.float32)
                gone |= flight.rng.random(added.shape, np.float32) < track.loss_ratio[steps]
            delay[rows] += added
            lost[rows] |= gone
        for spell in tracks.bursts:
            if spell.element == name and spell.goes(way):
                _burst(flight, spell, crossing.legs(way))
    for spell in tracks.spells:
        if spell.element == name and spell.reorder_ratio + spell.duplicate_ratio > 0:
            _shuffle(flight, spell, crossing)


def _draw(
    noise: Noise, shape: tuple[int, int], rng: np.random.Generator
) -> tuple[Delays, npt.NDArray[np.bool_]]:
    """Delay and loss that one direction of an element adds to packets in health."""
    if noise.jitter_s > 0:
        added = rng.standard_exponential(shape, np.float32)
        added *= np.float32(noise.jitter_s)
    else:
        added = np.zeros(shape, np.float32)
    flat = added.reshape(-1)
    for ratio, tail in ((noise.retry_ratio, False), (noise.tail_ratio, True)):
        if ratio > 0:
            # Which packets are hit: as many as the binomial says, anywhere; a packet hit twice counts once more.
            hit = rng.integers(0, flat.size, rng.binomial(flat.size, ratio))
            size = (
                rng.uniform(0, noise.tail_s, len(hit))
                if tail
                else noise.retry_s * rng.lognormal(0, RETRY_SIGMA, len(hit))
            )
            np.add.at(flat, hit, size.astype(np.float32))
    gone = np.zeros(shape, bool)
    if noise.loss_ratio > 0:
        gone.reshape(-1)[rng.integers(0, flat.size, rng.binomial(flat.size, noise.loss_ratio))] = True
    return added, gone


def _burst(flight: Flight, spell: Spell, legs: tuple[Rows, Rows]) -> None:
    """Losses of the two-state chain: one chain for the direction, stepped by its packets in order of time."""
    if spell.burst is None:
        return
    where = []
    for rows, back in zip(legs, (False, True), strict=True):
        inside = (flight.true_s[rows] >= spell.start_s) & (flight.true_s[rows] < spell.end_s)
        row, column = np.nonzero(inside)
        where.append((rows[row], column, np.full(len(row), back)))
    row, column, back_leg = (np.concatenate(part) for part in zip(*where, strict=True))
    order = np.argsort(flight.true_s[row, column], kind="stable")
    bad = np.zeros(len(row), bool)
    bad[order] = gilbert(len(row), *spell.burst, flight.rng)
    for back in (False, True):
        hit = bad & (back_leg == back)
        flight.leg(back)[1][row[hit], column[hit]] = True


def _shuffle(flight: Flight, spell: Spell, crossing: Crossing) -> None:
    """Hold some packets back until the element's next packet passes; send some twice."""
    rows = crossing.rows
    inside = (flight.true_s[rows] >= spell.start_s) & (flight.true_s[rows] < spell.end_s)
    held = inside & (flight.rng.random(inside.shape) < spell.reorder_ratio)
    gap_s = flight.rng.exponential(1.0 / max(2 * len(rows), 1), inside.shape).astype(np.float32)
    flight.out_s[rows] += np.where(held, gap_s, np.float32(0))
    flight.twice[rows] |= inside & (flight.rng.random(inside.shape) < spell.duplicate_ratio)


def _landed(
    flight: Flight,
    rows: Rows,
    start_s: float,
    interval_s: float,
    sent: npt.NDArray[np.float64],
    off: npt.NDArray[np.float64],
    target_off: npt.NDArray[np.float64],
) -> Packets:
    """What the agents recorded."""
    stamp = np.array([s.key.method is Method.STAMP for s in flight.sessions])[:, None]
    rtt = flight.out_s + flight.back_s
    fate = np.full(sent.shape, Fate.ANSWERED, np.uint8)
    fate[rtt > WAIT_S] = Fate.LATE
    fate[flight.lost_back] = Fate.LOST_BACK
    fate[flight.lost_out] = Fate.LOST_OUT
    fate[(flight.lost_back | flight.lost_out) & ~stamp] = Fate.LOST
    fate = np.where(flight.aside > 0, flight.aside, fate)
    known = fate <= Fate.LATE
    rtt[~known] = np.nan
    out = flight.out_s + (target_off[:, None] - off).astype(np.float32)
    out[~(known & stamp)] = np.nan
    return Packets(
        rows=rows,
        start_s=start_s,
        interval_s=interval_s,
        sent_s=sent,
        fate=fate,
        rtt_s=rtt,
        out_s=out,
        twice=flight.twice & known,
    )
