"""Disturbances in time: spells at an element, laid on a fine grid so that any packet's moment can ask."""

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt
from msgspec import Struct

from whichhop.lab.scenario import Effect, Fault, FaultWay

Floats = npt.NDArray[np.float32]
STEP_S = 0.1
"""The grid's step: a tenth of the usual gap between two packets of a session."""


class Spell(Struct, frozen=True, kw_only=True):
    """An element's added behaviour from `start_s` to `end_s`.

    delay_s, jitter_s: one-way delay, seconds: constant, and the mean of an exponential part.
    loss_ratio: independent loss a direction. burst: (p, r) of the two-state chain, stepped packet by packet.
    """

    element: str
    start_s: float
    end_s: float
    delay_s: float = 0.0
    jitter_s: float = 0.0
    loss_ratio: float = 0.0
    burst: tuple[float, float] | None = None
    reorder_ratio: float = 0.0
    duplicate_ratio: float = 0.0
    way: FaultWay = FaultWay.BOTH

    def goes(self, way: FaultWay) -> bool:
        """True when packets of that direction meet it."""
        return self.way in (FaultWay.BOTH, way)


def spell_of(fault: Fault) -> Spell:
    """The spell that a scripted fault makes."""
    effect: Effect = fault.effect
    return Spell(
        element=fault.element,
        start_s=fault.at_s,
        end_s=fault.at_s + fault.for_s,
        delay_s=effect.delay_s,
        jitter_s=effect.jitter_s,
        loss_ratio=1.0 if effect.outage else effect.loss_ratio,
        burst=effect.burst,
        reorder_ratio=effect.reorder_ratio,
        duplicate_ratio=effect.duplicate_ratio,
        way=effect.way,
    )


class Track(Struct):
    """One element's disturbances in one direction over one stretch of time, [step]."""

    start_s: float
    delay_s: Floats
    jitter_s: Floats
    loss_ratio: Floats

    @classmethod
    def empty(cls, start_s: float, seconds: float) -> "Track":
        """A track on which nothing happens."""
        # A packet's moment may be moved by its agent's clock offset: the ends answer for what is outside.
        steps = max(1, round(seconds / STEP_S))
        return cls(start_s, *(np.zeros(steps, np.float32) for _ in range(3)))

    def lay(self, spell: Spell) -> None:
        """Add a spell: delays add, survivals multiply."""
        steps = len(self.delay_s)
        first = min(max(round((spell.start_s - self.start_s) / STEP_S), 0), steps)
        last = min(max(round((spell.end_s - self.start_s) / STEP_S), first), steps)
        self.delay_s[first:last] += spell.delay_s
        self.jitter_s[first:last] += spell.jitter_s
        self.loss_ratio[first:last] = 1 - (1 - self.loss_ratio[first:last]) * (1 - spell.loss_ratio)

    def at(self, times_s: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
        """The steps of some moments, clipped to the track."""
        steps = ((times_s - self.start_s) * (1 / STEP_S)).astype(np.int64)
        return np.clip(steps, 0, len(self.delay_s) - 1, out=steps)


def overlapping(spells: Iterable[Spell], start_s: float, end_s: float) -> list[Spell]:
    """The spells that touch a stretch of time."""
    return [s for s in spells if s.start_s < end_s and s.end_s > start_s]


def gilbert(n: int, p: float, r: float, rng: np.random.Generator) -> npt.NDArray[np.bool_]:
    """Losses of n packets in a row by the two-state chain that loses all in its bad state (textbook).

    p, r: the chances, packet by packet, to turn bad and to turn good; 0 < p, r <= 1. Starts in the
    stationary distribution. Runs are drawn whole (geometric), so that a day costs milliseconds.
    """
    if n == 0:
        return np.zeros(0, bool)
    bad_first = bool(rng.random() < p / (p + r))
    lengths: list[npt.NDArray[np.int64]] = []
    total = 0
    while total < n:
        pairs = int((n - total) / (1 / p + 1 / r)) + 16
        good, bad = rng.geometric(p, pairs), rng.geometric(r, pairs)
        both = np.column_stack((bad, good) if bad_first else (good, bad)).ravel()
        lengths.append(both)
        total += int(both.sum())
    runs = np.concatenate(lengths)
    return np.repeat((np.arange(len(runs)) % 2 == 0) == bad_first, runs)[:n]


class Tracks:
    """The tracks of one chunk by element and direction, made where something happens."""

    def __init__(self, spells: Iterable[Spell], start_s: float, seconds: float) -> None:
        self.start_s, self.seconds = start_s, seconds
        self.spells = overlapping(spells, start_s, start_s + seconds)
        self.bursts = [s for s in self.spells if s.burst is not None]
        self._tracks: dict[tuple[str, FaultWay], Track] = {}
        for spell in self.spells:
            for way in (FaultWay.UP, FaultWay.DOWN):
                if spell.goes(way):
                    self._track(spell.element, way).lay(spell)

    def add_queue(self, element: str, way: FaultWay, delay_s: Floats, drop: Floats) -> None:
        """Lay a queue's wait and drops, [second] over the whole run, over an element."""
        first, last = int(self.start_s), int(np.ceil(self.start_s + self.seconds))
        track = self._track(element, way)
        n = len(track.delay_s)
        each = round(1 / STEP_S)
        track.delay_s += np.repeat(delay_s[first:last], each)[:n]
        lost = np.repeat(drop[first:last], each)[:n]
        track.loss_ratio[:] = 1 - (1 - track.loss_ratio) * (1 - lost)

    def _track(self, element: str, way: FaultWay) -> Track:
        if (element, way) not in self._tracks:
            self._tracks[element, way] = Track.empty(self.start_s, self.seconds)
        return self._tracks[element, way]

    def get(self, element: str, way: FaultWay) -> Track | None:
        """The track, or None where nothing happens."""
        return self._tracks.get((element, way))

    @property
    def elements(self) -> set[str]:
        """Elements at which something happens."""
        return {element for element, _ in self._tracks}
