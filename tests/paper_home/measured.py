"""Natural behaviour fitted to published measurements: weak radios, scans, states of hours, kind lines.

Each figure has its source beside it. [S] Sui and others, MobiSys 2016 (47,000 devices, abstract): a wireless
hop's median 3 ms, 90th percentile 20 ms, 99th 250 ms. [P] Pei and others, "WiFi can be the weakest link":
over 50 % of the packets of busy access points above 20 ms, 10 % above 100 ms. [B] Bajpai and others, CCR
47(5), 2017: last miles are steady over the day, DSL interleaves at several depths. [L] an industry group's
report on latency (2021): DOCSIS idle about 10 ms, of which 2 to 8 ms wait for a grant, up to 200 ms of queue,
99th percentile about 100 ms; interleaving 2 to 20 ms; 1 ms a 100 km. [H] Hoiland-Jorgensen and others, CoNEXT
2016: variation is heavy-tailed, a queue under load over 200 ms in the median. [W] Patro and others, MobiCom
2013 (30 homes, six months): poor wireless experience in 2.1 % of the time. [N] a network manager's author
(2016): a scan each two minutes, a few seconds in chunks between which the station returns to its channel. [A]
a phone's scan stays about 40 ms a channel. [M] measured series that were handed to this project as summaries,
which give the shapes that no paper's table gives: without licence or raw data, so to be believed less.
Only figures are taken from any of them. What has none of these marks is from memory.
"""

from collections.abc import Iterator
from enum import StrEnum

import numpy as np
from msgspec import Struct

from paper_home.natural import BEYOND_NOISE, MS, NOISE, Noise, natural_spells
from paper_home.tracks import Floats, Spell
from whichhop.lab.scenario import FaultWay
from whichhop.model import Home, Link, LinkKind, Medium

IN_USE_P99 = 3.0
"""99th percentile of a line in use, in medians [M]; [L] has 10 for idle cable with a deep buffer."""
USED = 0.03
"""Use of a line, averaged over a minute, from which a burst a few seconds apart is to be expected."""
TAIL_INDEX = 3.3
"""Idle access lines have tails of an index above 3 [M]; old long paths were near 1."""


class Temper(StrEnum):
    """How well a radio hop does."""

    GOOD = "good"
    FAIR = "fair"
    WEAK = "weak"


# Shares from memory; with them 2 to 4 % of the time is poor, [W] has 2.1 %.
TEMPERS = {Temper.GOOD: 0.60, Temper.FAIR: 0.28, Temper.WEAK: 0.12}
# One direction. A good 5 GHz hop: median 2.5, 95th percentile 4.6 ms round trip [M], median 3 ms [S].
RADIO: dict[Temper, Noise] = {
    Temper.GOOD: Noise(
        jitter_s=0.35 * MS, retry_ratio=0.03, retry_s=2.5 * MS, tail_ratio=0.002, tail_s=60 * MS,
        loss_ratio=5e-4,
    ),
    # Between the good one and the 90th percentile of 20 ms over all devices [S].
    Temper.FAIR: Noise(
        jitter_s=0.9 * MS, retry_ratio=0.08, retry_s=6 * MS, tail_ratio=0.005, tail_s=90 * MS,
        loss_ratio=1e-3,
    ),
    # 2.4 GHz among neighbours: median 4.9, 95th percentile 43.5 ms [M]; its busy spells are `_busy`.
    Temper.WEAK: Noise(
        jitter_s=1.3 * MS, retry_ratio=0.05, retry_s=6 * MS, tail_ratio=0.012, tail_s=120 * MS,
        loss_ratio=3e-3,
    ),
}  # fmt: skip
# One direction. Kinder than `natural.NOISE`: thin bodies, tails with an index [M].
LINE: dict[Medium, Noise] = {
    # A grant takes 2 to 8 ms, serialization 0.4 to 3.5 ms [L]: some 6 ms in one of two directions.
    Medium.CABLE: Noise(
        jitter_s=0.9 * MS, tail_ratio=0.02, tail_s=5 * MS, tail_index=TAIL_INDEX, loss_ratio=1e-4
    ),
    Medium.DSL: Noise(
        jitter_s=0.2 * MS, tail_ratio=0.01, tail_s=3 * MS, tail_index=TAIL_INDEX, loss_ratio=1e-4
    ),
    Medium.FIBRE: Noise(
        jitter_s=0.12 * MS, tail_ratio=0.01, tail_s=2 * MS, tail_index=TAIL_INDEX, loss_ratio=1e-5
    ),
    Medium.FIXED_WIRELESS: Noise(
        jitter_s=4 * MS, retry_ratio=0.08, retry_s=8 * MS, tail_ratio=0.02, tail_s=20 * MS,
        tail_index=TAIL_INDEX, loss_ratio=1e-3,
    ),
    # Radio capacity of a satellite is handed out in frames of tens of milliseconds; from memory.
    Medium.SATELLITE: Noise(
        jitter_s=10 * MS, tail_ratio=0.02, tail_s=40 * MS, tail_index=TAIL_INDEX, loss_ratio=2e-3
    ),
}  # fmt: skip

BUSY_S, CALM_S = 28.0, 113.0
"""A weak radio's neighbours are busy for 28 s, then calm for 113 s: with a third of the time of a busy spell
disturbed, one packet in ten is late by 16 ms and lateness 10 s apart correlates by 0.14 [M]."""
LATE_S = 0.016
BUSY_EACH_S, BUSY_LASTS_S, BUSY_JITTER_S = 1.6, (0.25, 1.6), 24 * MS
TRAINS_A_DAY = 4.0
"""Scan trains a radio; from memory. Each goes on for minutes, on good radios too [M]."""
TRAIN_S = (120.0, 720.0)
SCAN_EACH_S = (8.0, 15.0)
SCAN_LASTS_S = (0.8, 2.5)
AWAY_S = (0.15, 0.40)
"""A station is away 150 to 400 ms at a time [M]: four to ten channels of 40 ms [A], with returns [N]."""
LEVELS_A_DAY, LEVEL_S, LEVEL_LASTS_S = 0.4, (10 * MS, 40 * MS), (3600.0, 5 * 3600.0)
"""Levels of 10 to 40 ms for hours, autocorrelation 0.6 at a minute [M]; how often: from memory."""
LEVEL_PIECE_S = 20.0
LEVEL_CORRELATION = 0.6
STALLS_A_DAY, STALL_S = 1.0, (7.0, 60.0)
"""Stalls of 7 to 60 s in which nothing passes [M]; how often: from memory."""


class State(Struct, frozen=True, kw_only=True):
    """Something that nature drew and that lasts: `word` names it."""

    element: str
    start_s: float
    end_s: float
    word: str


class Drawn(Struct, frozen=True, kw_only=True):
    """The nature of one run: the noise of every link, what passes, and what lasts."""

    noises: dict[str, Noise]
    spells: list[Spell]
    states: tuple[State, ...]
    tempers: dict[str, Temper]


def measured_nature(
    home: Home, seconds: float, rng: np.random.Generator, tempers: dict[str, Temper] | None = None
) -> Drawn:
    """Draw it; `tempers` holds radios whose temper is not to be drawn."""
    noises: dict[str, Noise] = {}
    spells: list[Spell] = []
    states: list[State] = []
    found = dict(tempers or {})
    for link in home.links:
        if link.name in noises:
            continue
        if not _is_radio(link):
            noises[link.name] = _line(link)
            continue
        drawn = list(TEMPERS)[int(rng.choice(len(TEMPERS), p=list(TEMPERS.values())))]
        # Who installs a mesh puts its nodes where they hear each other; from memory.
        weak = link.kind is LinkKind.BACKHAUL and drawn is Temper.WEAK
        temper = found.setdefault(link.name, Temper.FAIR if weak else drawn)
        noises[link.name] = RADIO[temper]
        if temper is Temper.WEAK:
            spells += busy(link.name, 0.0, seconds, rng)
            states.append(State(element=link.name, start_s=0.0, end_s=seconds, word="weak radio"))
        for at in _moments(TRAINS_A_DAY, seconds, rng):
            end = min(seconds, at + _log_uniform(rng, TRAIN_S))
            spells += scan_train(link.name, at, end, rng)
            states.append(State(element=link.name, start_s=at, end_s=end, word="scans"))
        for at in _moments(LEVELS_A_DAY, seconds, rng):
            end = min(seconds, at + _log_uniform(rng, LEVEL_LASTS_S))
            spells += level(link.name, at, end, _log_uniform(rng, LEVEL_S), rng)
            states.append(State(element=link.name, start_s=at, end_s=end, word="level of hours"))
        for at in _moments(STALLS_A_DAY, seconds, rng):
            end = at + _log_uniform(rng, STALL_S)
            spells.append(Spell(element=link.name, start_s=at, end_s=end, loss_ratio=1.0))
            states.append(State(element=link.name, start_s=at, end_s=end, word="stall"))
    # What the simulated profile has besides, and no measurement speaks against: air, replies, appliances.
    radio = {k.name for k in home.links if _is_radio(k)}
    spells += [s for s in natural_spells(home, seconds, rng, 1.0) if s.element not in radio]
    return Drawn(noises=noises, spells=spells, states=tuple(states), tempers=found)


def in_use(up: Floats, down: Floats) -> tuple[State, ...]:
    """The minutes in which the home uses its line enough for its bursts to be felt: shares by second in."""
    whole = len(up) // 60 * 60
    busy = np.maximum(*(s[:whole].reshape(-1, 60).mean(axis=1) for s in (up, down))) > USED
    edges = np.flatnonzero(np.diff(np.concatenate(([0], busy.astype(np.int8), [0]))))
    return tuple(
        State(element="own-traffic", start_s=60.0 * first, end_s=60.0 * last, word="in use")
        for first, last in edges.reshape(-1, 2).tolist()
    )


def _is_radio(link: Link) -> bool:
    return link.kind is LinkKind.WIRELESS or link.medium is Medium.RADIO


def _line(link: Link) -> Noise:
    if link.kind is LinkKind.BEYOND or link.medium is None:
        return BEYOND_NOISE
    return LINE.get(link.medium, NOISE[link.medium])


def _log_uniform(rng: np.random.Generator, low_high: tuple[float, float]) -> float:
    return float(np.exp(rng.uniform(*np.log(low_high))))


def _moments(a_day: float, seconds: float, rng: np.random.Generator) -> list[float]:
    return [float(at) for at in rng.uniform(0, seconds, rng.poisson(a_day * seconds / 86_400))]


def busy(element: str, start_s: float, end_s: float, rng: np.random.Generator) -> Iterator[Spell]:
    """A weak radio's busy spells: bursts of a second in which packets are sent again and again."""
    at = start_s - float(rng.exponential(CALM_S)) * float(rng.random() < 0.2)
    while at < end_s:
        until = min(end_s, at + float(rng.exponential(BUSY_S)))
        while at < until:
            lasts = _log_uniform(rng, BUSY_LASTS_S)
            if at >= start_s:
                yield Spell(
                    element=element, start_s=at, end_s=min(at + lasts, end_s), jitter_s=BUSY_JITTER_S,
                    loss_ratio=0.01,
                )  # fmt: skip
            at += max(lasts, float(rng.exponential(BUSY_EACH_S)))
        at += float(rng.exponential(CALM_S))


def scan_train(element: str, start_s: float, end_s: float, rng: np.random.Generator) -> Iterator[Spell]:
    """Scans every 8 to 15 s: packets that meet an absence wait until the station is back."""
    at = start_s
    while at < end_s:
        until = at + float(rng.uniform(*SCAN_LASTS_S))
        moment = at
        while moment < until:
            away = float(rng.uniform(*AWAY_S))
            for part in np.arange(0.0, away, 0.1):
                left = away - float(part)
                yield Spell(
                    element=element, start_s=moment + part, end_s=moment + part + min(left, 0.1),
                    delay_s=max(left - 0.05, 0.01), way=FaultWay.DOWN,
                )  # fmt: skip
            moment += away + float(rng.uniform(0.05, 0.2))
        at += float(rng.uniform(*SCAN_EACH_S))


def level(
    element: str, start_s: float, end_s: float, round_trip_s: float, rng: np.random.Generator
) -> Iterator[Spell]:
    """A level that wanders: pieces of 20 s, log-normal around `round_trip_s`, correlated over a minute."""
    keep = LEVEL_CORRELATION ** (LEVEL_PIECE_S / 60.0)
    state = float(rng.standard_normal())
    for at in np.arange(start_s, end_s, LEVEL_PIECE_S):
        state = keep * state + float(np.sqrt(1 - keep**2) * rng.standard_normal())
        each = 0.5 * round_trip_s * float(np.exp(0.5 * state))
        yield Spell(
            element=element, start_s=float(at), end_s=min(float(at) + LEVEL_PIECE_S, end_s),
            delay_s=0.6 * each, jitter_s=0.4 * each,
        )  # fmt: skip
