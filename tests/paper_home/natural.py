"""How each medium behaves in health: the noise of every packet, and the passing disturbances of a day."""

from collections.abc import Iterator

import numpy as np
from msgspec import Struct

from paper_home.tracks import Spell
from whichhop.lab.scenario import FaultWay, Quirk, QuirkKind
from whichhop.model import Home, Link, LinkKind, Medium, NodeKind

MS = 1e-3


class Passing(Struct, frozen=True, kw_only=True):
    """A disturbance that comes and goes by itself, too short to be called a fault.

    each_h: mean number an hour. Ranges are lowest and highest of a log-uniform draw; one-way seconds.
    """

    each_h: float
    lasts_s: tuple[float, float]
    jitter_s: tuple[float, float] = (0.0, 0.0)
    loss_ratio: tuple[float, float] = (0.0, 0.0)


class Noise(Struct, frozen=True, kw_only=True):
    """What one direction of a link adds to a packet, over its base delay.

    jitter_s: mean of an exponential. retry_ratio, retry_s: share of packets sent again by the link and the
    median of the log-normal time (sigma 0.7) that costs. tail_ratio, tail_s: share held up for long, and the
    longest of a uniform draw; with a tail_index, the scale of a Pareto (Lomax) draw of that index instead.
    loss_ratio: independent loss.
    """

    jitter_s: float
    retry_ratio: float = 0.0
    retry_s: float = 0.0
    tail_ratio: float = 0.0
    tail_s: float = 0.0
    tail_index: float = 0.0
    loss_ratio: float = 0.0
    passing: tuple[Passing, ...] = ()


RETRY_SIGMA = 0.7
BURST = Passing(each_h=4.0, lasts_s=(0.3, 6.0), jitter_s=(8 * MS, 60 * MS))
RETRIES = Passing(each_h=1.5, lasts_s=(0.3, 5.0), jitter_s=(2 * MS, 20 * MS), loss_ratio=(0.1, 0.5))
CONTENTION = Passing(each_h=0.7, lasts_s=(20.0, 240.0), jitter_s=(1 * MS, 3.5 * MS))
ROAM = Passing(each_h=0.25, lasts_s=(0.3, 4.0), loss_ratio=(0.999, 1.0))
SCAN = Passing(each_h=3.0, lasts_s=(0.1, 0.8), jitter_s=(50 * MS, 150 * MS))

NOISY_APPLIANCE = Passing(each_h=1.0, lasts_s=(0.5, 5.0), jitter_s=(5 * MS, 30 * MS), loss_ratio=(0.01, 0.2))

# All figures from memory, common practice: shapes of homes seen by practitioners, not a standard.
CLIENT_RADIO = Noise(
    jitter_s=0.9 * MS, retry_ratio=0.06, retry_s=2.5 * MS, tail_ratio=0.004, tail_s=60 * MS,
    loss_ratio=8e-4,
    passing=(BURST, RETRIES, CONTENTION, ROAM, SCAN),
)  # fmt: skip
BACKHAUL_RADIO = Noise(
    jitter_s=0.6 * MS, retry_ratio=0.03, retry_s=2 * MS, tail_ratio=0.0015, tail_s=40 * MS, loss_ratio=0.0003,
    passing=(
        Passing(each_h=1.2, lasts_s=(0.3, 5.0), jitter_s=(5 * MS, 40 * MS)),
        Passing(each_h=0.3, lasts_s=(0.3, 3.0), loss_ratio=(0.1, 0.6)),
        CONTENTION,
    ),
)  # fmt: skip
NOISE: dict[Medium, Noise] = {
    Medium.RADIO: BACKHAUL_RADIO,
    Medium.ETHERNET: Noise(jitter_s=0.03 * MS, tail_ratio=0.0001, tail_s=3 * MS, loss_ratio=1e-6),
    Medium.COAX: Noise(jitter_s=0.4 * MS, tail_ratio=0.0005, tail_s=10 * MS, loss_ratio=1e-5),
    Medium.POWER_LINE: Noise(
        jitter_s=0.8 * MS, retry_ratio=0.05, retry_s=3 * MS, tail_ratio=0.002, tail_s=40 * MS,
        loss_ratio=4e-4, passing=(NOISY_APPLIANCE,),
    ),
    Medium.CABLE: Noise(
        jitter_s=1.2 * MS, tail_ratio=0.001, tail_s=25 * MS, loss_ratio=1e-4,
        passing=(Passing(each_h=0.2, lasts_s=(0.5, 4.0), jitter_s=(4 * MS, 15 * MS)),),
    ),
    Medium.FIBRE: Noise(jitter_s=0.15 * MS, tail_ratio=0.0002, tail_s=8 * MS, loss_ratio=1e-5),
    Medium.DSL: Noise(jitter_s=0.4 * MS, tail_ratio=0.0005, tail_s=15 * MS, loss_ratio=5e-5),
    Medium.FIXED_WIRELESS: Noise(
        jitter_s=3 * MS, retry_ratio=0.05, retry_s=5 * MS, tail_ratio=0.003, tail_s=60 * MS, loss_ratio=5e-4,
        passing=(Passing(each_h=0.5, lasts_s=(0.5, 5.0), jitter_s=(8 * MS, 30 * MS)),),
    ),
    Medium.SATELLITE: Noise(jitter_s=6 * MS, tail_ratio=0.003, tail_s=100 * MS, loss_ratio=0.002),
}  # fmt: skip
BEYOND_NOISE = Noise(
    jitter_s=0.3 * MS, tail_ratio=0.0005, tail_s=20 * MS, loss_ratio=1e-4,
    passing=(Passing(each_h=0.05, lasts_s=(0.3, 4.0), jitter_s=(3 * MS, 20 * MS)),),
)  # fmt: skip
# A box answers from its slow path (control plane); a host from its kernel.
BOX_REPLY = Noise(
    jitter_s=0.25 * MS, tail_ratio=0.005, tail_s=50 * MS,
    passing=(Passing(each_h=0.3, lasts_s=(0.5, 6.0), jitter_s=(5 * MS, 40 * MS)),),
)  # fmt: skip
HOST_REPLY = Noise(jitter_s=0.08 * MS, tail_ratio=0.0005, tail_s=10 * MS)
AGENT_HOST = Noise(jitter_s=0.05 * MS, tail_ratio=0.0003, tail_s=15 * MS)
LOOKUP_REPLY = Noise(
    jitter_s=2 * MS, retry_ratio=0.15, retry_s=20 * MS, tail_ratio=0.01, tail_s=150 * MS, loss_ratio=0.001
)
DOZING_HOSTS = 0.3
"""Share of radio hosts that doze now and then."""


def noise_of(link: Link) -> Noise:
    """A link's own noise, by kind and medium."""
    if link.kind is LinkKind.WIRELESS:
        return CLIENT_RADIO
    if link.kind is LinkKind.BEYOND or link.medium is None:
        return BEYOND_NOISE
    return NOISE[link.medium]


def reply_noise(kind: NodeKind, *, agent: bool) -> Noise:
    """How evenly a node answers what is meant for itself."""
    return HOST_REPLY if agent or kind in (NodeKind.HOST, NodeKind.PEER) else BOX_REPLY


def _log_uniform(rng: np.random.Generator, low_high: tuple[float, float]) -> float:
    low, high = low_high
    return 0.0 if low <= 0 else float(np.exp(rng.uniform(np.log(low), np.log(high))))


def passing_spells(
    element: str, noise: Noise, seconds: float, rng: np.random.Generator, scale: float
) -> Iterator[Spell]:
    """The passing disturbances of one element over `seconds`; `scale` multiplies how often they come."""
    for kind in noise.passing:
        for start in rng.uniform(0, seconds, rng.poisson(kind.each_h * scale * seconds / 3600)):
            yield Spell(
                element=element,
                start_s=float(start),
                end_s=float(start) + _log_uniform(rng, kind.lasts_s),
                jitter_s=_log_uniform(rng, kind.jitter_s),
                loss_ratio=_log_uniform(rng, kind.loss_ratio),
                way=(FaultWay.UP, FaultWay.DOWN, FaultWay.BOTH)[int(rng.integers(0, 3))],
            )


def natural_spells(home: Home, seconds: float, rng: np.random.Generator, scale: float) -> list[Spell]:
    """Everything that passes through a healthy home over `seconds`, air shared by stations included."""
    out: list[Spell] = []
    seen = set()
    for link in home.links:
        if link.name not in seen:
            seen.add(link.name)
            out.extend(passing_spells(link.name, noise_of(link), seconds, rng, scale))
    shared = Noise(jitter_s=0, passing=(Passing(each_h=0.6, lasts_s=(0.5, 8.0), jitter_s=(8 * MS, 50 * MS)),))
    for name, node in home.nodes.items():
        if any(k.far == name and k.kind is LinkKind.WIRELESS for k in home.links):
            out.extend(passing_spells(f"air:{name}", shared, seconds, rng, scale))
        out.extend(
            passing_spells(f"reply:{name}", reply_noise(node.kind, agent=node.agent), seconds, rng, scale)
        )
    return out


def natural_quirks(home: Home, seconds: float, rng: np.random.Generator) -> list[Quirk]:
    """Radios that doze and appliances that disturb power lines, on and off through the day."""
    out = []
    for link in home.links:
        dozes = link.kind is LinkKind.WIRELESS and rng.random() < DOZING_HOSTS
        if not dozes and link.medium is not Medium.POWER_LINE:
            continue
        kind = QuirkKind.POWER_SAVE if dozes else QuirkKind.MAINS_NOISE
        element = f"host:{link.near}" if dozes else link.name
        # Awake or undisturbed for an hour or two, then dozing for long, or an appliance for minutes.
        at = float(rng.exponential(3600))
        while at < seconds:
            lasts = float(rng.exponential(2400 if dozes else 500)) + 60
            size = float(rng.uniform(0.03, 0.12))
            out.append(Quirk(at_s=at, for_s=lasts, kind=kind, element=element, size=size))
            at += lasts + float(rng.exponential(5400))
    return out
