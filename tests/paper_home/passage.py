"""Packets meet one element: its base delay, its noise, its disturbances and its losses, both directions."""

import numpy as np
import numpy.typing as npt

from paper_home.crossings import Crossing, Rows
from paper_home.flight import Delays, Flight
from paper_home.natural import RETRY_SIGMA, Noise
from paper_home.tracks import Spell, Tracks, gilbert
from whichhop.lab.scenario import FaultWay

SILENT = Noise(jitter_s=0.0)


def cross(
    flight: Flight, name: str, crossing: Crossing, tracks: Tracks, *, noise: Noise, base_s: float
) -> None:
    """One element's base delay (one way), noise, disturbances and losses, in both directions.

    A link's noise meets a packet each way; a pseudo-element's (a host, a responder) once a round trip.
    """
    once = ":" in name
    for way in (FaultWay.UP, FaultWay.DOWN):
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
            # Which packets are hit: as many as the binomial says, anywhere.
            hit = rng.integers(0, flat.size, rng.binomial(flat.size, ratio))
            if not tail:
                size = noise.retry_s * rng.lognormal(0, RETRY_SIGMA, len(hit))
            elif noise.tail_index > 0:
                size = noise.tail_s * rng.pareto(noise.tail_index, len(hit))
            else:
                size = rng.uniform(0, noise.tail_s, len(hit))
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
