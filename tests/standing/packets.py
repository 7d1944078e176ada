"""Ten minutes of packets of a drawn home: second by second, what elements add, shared by whoever crosses."""

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from standing.homes import Quick
from whichhop.compare.suspects.elements import Element

Floats = NDArray[np.float64]


class Ill(Struct, frozen=True, kw_only=True):
    """What is wrong with one element from the first packet: two-way ms, shares; jitter an exponential's mean.

    late, late_ms: share of packets held up, and the range of how long. until_s: when it heals.
    """

    element: str
    steady: float = 0.0
    jitter: float = 0.0
    lost: float = 0.0
    burst: bool = False
    late: float = 0.0
    late_ms: tuple[float, float] = (60.0, 160.0)
    until_s: float = 1e9


class Packets(Struct, frozen=True, kw_only=True):
    """Shape (sessions, seconds): round trips in seconds, NaN where lost."""

    rtt_s: Floats

    @property
    def lost(self) -> NDArray[np.bool_]:
        """Where no answer came."""
        return np.isnan(self.rtt_s)


def draw_packets(
    rng: np.random.Generator,
    elements: Sequence[Element],
    quick: Mapping[str, Quick],
    ills: Sequence[Ill] = (),
    *,
    sessions: int,
    seconds: int = 600,
    scans: Sequence[str] = (),
    bursts: Mapping[str, Floats] | None = None,
) -> Packets:
    """Draw a home's packets. scans: radio links with a train of spikes. bursts: ms a second added to all."""
    total = np.zeros((sessions, seconds))
    lost = np.zeros((sessions, seconds), dtype=bool)
    for element in elements:
        rows = sorted(element.column)
        if not rows:
            continue
        times = np.array([2 if i in element.twice else 1 for i in rows])[:, None]
        add, gone = _of(rng, quick[element.name], len(rows), seconds)
        for ill in ills:
            if ill.element == element.name:
                more, also = _ill(rng, ill, len(rows), seconds)
                add, gone = add + more * times, gone | also
        if element.name in scans:
            add = add + _scan(rng, len(rows), seconds)
        if bursts and element.name in bursts:
            add = add + bursts[element.name] * rng.uniform(0.5, 1.0, (len(rows), seconds))
        total[rows] += add
        lost[rows] |= gone
    return Packets(rtt_s=np.where(lost, np.nan, total * 1e-3))


def _of(rng: np.random.Generator, q: Quick, rows: int, seconds: int) -> tuple[Floats, NDArray[np.bool_]]:
    shape = (rows, seconds)
    add = q.steady + rng.uniform(0, 1, shape) * q.even
    if q.often:
        add += np.where(rng.random(shape) < q.often, rng.gamma(1.5, q.often_ms / 1.5, shape), 0.0)
    if q.seldom:
        add += np.where(rng.random(shape) < q.seldom, rng.uniform(*q.seldom_ms, shape), 0.0)
    if q.sway:
        # A random walk that returns, over minutes; the same for everybody who crosses.
        step = rng.normal(0, 1, seconds)
        walk = np.empty(seconds)
        here = rng.normal(0, 1)
        for t in range(seconds):
            here = 0.99 * here + 0.141 * step[t]
            walk[t] = here
        add += q.sway * np.maximum(walk, -1.0)
    lost = rng.random(shape) < q.lost
    return add, lost


def _ill(rng: np.random.Generator, ill: Ill, rows: int, seconds: int) -> tuple[Floats, NDArray[np.bool_]]:
    shape = (rows, seconds)
    on = np.arange(seconds) < ill.until_s
    add = np.full(shape, ill.steady)
    if ill.jitter:
        add = add + rng.exponential(ill.jitter, shape)
    if ill.late:
        add = add + np.where(rng.random(shape) < ill.late, rng.uniform(*ill.late_ms, shape), 0.0)
    ratio = np.full(seconds, ill.lost)
    if ill.burst and ill.lost:
        # Two states, the bad one a third of the time for seconds: the same mean loss, in bursts.
        bad = np.repeat(rng.random(seconds // 4 + 1) < 1 / 3, 4)[:seconds]
        ratio = np.where(bad, min(0.95, 3 * ill.lost), 0.0)
    return add * on, (rng.random(shape) < ratio) & on


def _scan(rng: np.random.Generator, rows: int, seconds: int) -> Floats:
    """A scan train: a spike of 150 to 400 ms each 8 to 15 s, for one to three minutes."""
    out = np.zeros((rows, seconds))
    at = float(rng.uniform(0, max(1, seconds - 60)))
    end = at + float(rng.uniform(60, 180))
    while at < min(end, seconds - 1):
        out[:, int(at)] += rng.uniform(150, 400)
        at += float(rng.uniform(8, 15))
    return out
