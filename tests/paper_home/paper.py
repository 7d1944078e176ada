"""The home on paper: every test packet of every session drawn from a scenario, seeded, hours in a second."""

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt
from msgspec import Struct, field
from msgspec.structs import replace

from paper_home.crossings import air_links, link_crossings, pseudo_crossing
from paper_home.flight import Delays, Flight, Packets
from paper_home.measured import State, in_use, measured_nature
from paper_home.natural import (
    AGENT_HOST,
    LOOKUP_REPLY,
    Noise,
    natural_quirks,
    natural_spells,
    noise_of,
    reply_noise,
)
from paper_home.passage import SILENT, cross
from paper_home.quirks import agent_clock_s, apply_quirks
from paper_home.tracks import Spell, Tracks, spell_of
from paper_home.traffic import add_transfers, ordinary_share, queue_delay_s
from whichhop.lab.scenario import FaultWay, Profile, Quirk, Scenario
from whichhop.model import Fate, Link, LinkKind, Method, Session, derive_sessions

CHUNK_S = 3600
WAIT_S = 3.0


class PaperRun(Struct):
    """A scenario made ready: its sessions, its spells and the home's own traffic."""

    scenario: Scenario
    sessions: tuple[Session, ...]
    quirks: tuple[Quirk, ...]
    spells: list[Spell]
    up_share: npt.NDArray[np.float32]
    down_share: npt.NDArray[np.float32]
    offsets_s: dict[str, float]
    noises: dict[str, Noise]
    states: tuple[State, ...]
    """What nature drew and lasts for long at a link: no scripted fault, yet there."""
    seed: int
    queues: dict[FaultWay, tuple[Delays, Delays]] = field(default_factory=dict)

    def chunks(self) -> Iterator[list[Packets]]:
        """The packets, an hour at a time; one Packets for each interval among the sessions."""
        seconds = self.scenario.seconds
        intervals = sorted({s.interval_s for s in self.sessions})
        phases = _dice(self.seed, "phases").uniform(0, 1, len(self.sessions))
        link = _access(self)
        for i in range(int(np.ceil(seconds / CHUNK_S))):
            start = i * CHUNK_S
            rng = _dice(self.seed, "packets", i)
            tracks = Tracks(self.spells, start, min(CHUNK_S, seconds - start))
            if link is not None:
                for way, (delay, drop) in self.queues.items():
                    tracks.add_queue(link.name, way, delay, drop)
            yield [self._fly(tracks, interval, phases, rng) for interval in intervals]

    def _fly(
        self, tracks: Tracks, interval_s: float, phases: npt.NDArray[np.float64], rng: np.random.Generator
    ) -> Packets:
        """Draw one chunk's packets of the sessions of one interval; `phases` are shares of the interval."""
        rows = np.flatnonzero([s.interval_s == interval_s for s in self.sessions])
        sessions = [self.sessions[r] for r in rows]
        moments = np.arange(int(tracks.seconds // interval_s)) + phases[rows][:, None]
        sent = tracks.start_s + moments * interval_s
        agents = [s.key.agent for s in sessions]
        off = np.stack(
            [agent_clock_s(self.quirks, a, self.offsets_s, t) for a, t in zip(agents, sent, strict=True)]
        )
        flight = Flight.start(sessions, sent - off, rng)
        _cross_all(self.scenario, self.noises, tracks, flight)
        apply_quirks(self.quirks, flight)
        far = np.array([self.offsets_s.get(s.key.target, 0.0) for s in sessions])
        fate, rtt, out = _landed(flight, far[:, None] - off)
        return Packets(
            rows=rows,
            start_s=tracks.start_s,
            interval_s=interval_s,
            sent_s=sent,
            fate=fate,
            rtt_s=rtt,
            out_s=out,
            twice=flight.twice & (fate <= Fate.LATE),
        )


# What is drawn in a run; each has dice of its own, so that a change to one leaves the others as they were.
_DICE = ("spells", "traffic", "clocks", "quirks", "queues", "phases", "packets")


def _dice(seed: int, what: str, part: int = 0) -> np.random.Generator:
    return np.random.default_rng([seed, _DICE.index(what), part])


def _clock_offsets(scenario: Scenario, rng: np.random.Generator) -> dict[str, float]:
    """How far each agent's clock is off, seconds: mostly tens of milliseconds, one in ten seconds."""
    out = {}
    for agent in scenario.home.agents:
        far = rng.random() < 0.1
        out[agent.name] = float(rng.normal(0, 1.2 if far else 0.03)) * min(scenario.noise, 1.0)
    return out | scenario.clocks_s


def prepare(scenario: Scenario, seed: int) -> PaperRun:
    """Draw what a whole run has in common: passing disturbances, quirks, own traffic, clocks."""
    traffic = _dice(seed, "traffic")
    whole = int(np.ceil(scenario.seconds))
    spells = [spell_of(f) for f in scenario.faults]
    quirks = scenario.quirks
    up, down = np.zeros(whole, np.float32), np.zeros(whole, np.float32)
    noises: dict[str, Noise] = {}
    states: tuple[State, ...] = ()
    if scenario.noise > 0:
        dice = _dice(seed, "spells")
        if scenario.profile is Profile.MEASURED:
            drawn = measured_nature(scenario.home, scenario.seconds, dice)
            noises, states = drawn.noises, drawn.states
            spells += drawn.spells
        else:
            noises = {k.name: noise_of(k) for k in scenario.home.links}
            spells += natural_spells(scenario.home, scenario.seconds, dice, scenario.noise)
        quirks += tuple(natural_quirks(scenario.home, scenario.seconds, _dice(seed, "quirks")))
        up, down = ordinary_share(whole, traffic)
    add_transfers(up, down, quirks, traffic)
    aired = []
    for spell in spells:
        node = spell.element.removeprefix("air:")
        names = air_links(scenario.home, node) if node != spell.element else (spell.element,)
        aired += [spell if n == spell.element else replace(spell, element=n) for n in names]
    if scenario.profile is Profile.MEASURED:
        states += in_use(up, down)
    run = PaperRun(
        scenario=scenario,
        sessions=derive_sessions(scenario.home),
        quirks=quirks,
        spells=aired,
        up_share=up,
        down_share=down,
        offsets_s=_clock_offsets(scenario, _dice(seed, "clocks")),
        noises=noises,
        states=states,
        seed=seed,
    )
    _fill_queues(run, _dice(seed, "queues"))
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
    bursty = run.scenario.profile is Profile.MEASURED
    run.queues[FaultWay.UP] = queue_delay_s(run.up_share, plan.up_bps, queue_s, rng, bursty=bursty)
    # The provider's queue toward the home is a third as deep; common practice.
    run.queues[FaultWay.DOWN] = queue_delay_s(run.down_share, plan.down_bps, queue_s / 3, rng, bursty=bursty)


def _cross_all(scenario: Scenario, noises: dict[str, Noise], tracks: Tracks, flight: Flight) -> None:
    """Let the packets meet every link and every pseudo-element at which something happens."""
    noisy = scenario.noise > 0
    for name, crossing in link_crossings(flight.sessions).items():
        nature = scenario.natures.get(name)
        noise = noises.get(name, SILENT)
        base = nature.delay_s if nature else 0.0
        if nature is not None and nature.jitter_s + nature.loss_ratio > 0:
            noise = replace(noise, jitter_s=nature.jitter_s, loss_ratio=nature.loss_ratio)
        cross(flight, name, crossing, tracks, noise=noise, base_s=base)
    ends: dict[str, tuple[Noise, float]] = {}
    for session in flight.sessions:
        key = session.key
        ends[f"host:{key.agent}"] = (AGENT_HOST, 0.0)
        if key.method is Method.LOOKUP:
            ends[f"resolver:{key.target}"] = (LOOKUP_REPLY, 0.0)
            continue
        node = scenario.home.nodes[key.target]
        for end, own in (
            (f"reply:{key.target}", reply_noise(node.kind, agent=node.agent)),
            (f"destination:{key.target}", SILENT),
        ):
            nature = scenario.natures.get(end)
            ends[end] = (own, nature.delay_s if nature else 0.0)
    for name in tracks.elements:
        if name.startswith(("node:", "forward:", "route:")):
            ends[name] = (SILENT, 0.0)
    for name, (noise, base) in ends.items():
        crossing = pseudo_crossing(name, flight.sessions)
        if len(crossing.rows):
            cross(flight, name, crossing, tracks, noise=noise if noisy else SILENT, base_s=base)


def _landed(
    flight: Flight, disagreement_s: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.uint8], Delays, Delays]:
    """What the agents recorded: fate, round trip, and way out with the clocks' disagreement."""
    stamp = np.array([s.key.method is Method.STAMP for s in flight.sessions])[:, None]
    rtt = flight.out_s + flight.back_s
    fate = np.full(rtt.shape, Fate.ANSWERED, np.uint8)
    fate[rtt > WAIT_S] = Fate.LATE
    fate[flight.lost_back] = Fate.LOST_BACK
    fate[flight.lost_out] = Fate.LOST_OUT
    fate[(flight.lost_back | flight.lost_out) & ~stamp] = Fate.LOST
    fate = np.where(flight.aside > 0, flight.aside, fate)
    known = fate <= Fate.LATE
    rtt[~known] = np.nan
    out = flight.out_s + disagreement_s.astype(np.float32)
    out[~(known & stamp)] = np.nan
    return fate, rtt, out
