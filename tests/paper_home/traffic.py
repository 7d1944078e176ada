"""The home's own traffic on the access line: how much, the queue it fills, and the counters that tell."""

import numpy as np
import numpy.typing as npt

from whichhop.lab.scenario import Quirk, QuirkKind

Floats = npt.NDArray[np.float32]
FULL = 0.9
"""Share of the line from which its queue builds up for good."""
MTU_BITS = 12_000
BURST_FILL = 0.33
"""How much of the queue a burst leaves standing, on average; fitted, see `queue_delay_s`."""


def ordinary_share(seconds: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Up and down use of a home that does nothing special, as shares of the plan: arrays [second].

    A murmur, pages that load for a second or two, and streams for half an hour. Common practice.
    """
    out = []
    for murmur, page_each_s, page_share, stream_each_h, stream_share in (
        (0.005, 60.0, 0.15, 0.1, 0.08),
        (0.004, 20.0, 0.35, 0.7, 0.12),
    ):
        share = rng.exponential(murmur, seconds).astype(np.float32)
        for at in rng.integers(0, seconds, rng.poisson(seconds / page_each_s)):
            share[at : at + 1 + int(rng.integers(0, 2))] += rng.uniform(0, page_share)
        for at in rng.integers(0, seconds, rng.poisson(seconds / 3600 * stream_each_h)):
            share[at : at + int(rng.exponential(1500)) + 60] += rng.uniform(0.3, 1.0) * stream_share
        out.append(np.minimum(share, 0.8, out=share))
    return out[0], out[1]


def add_transfers(up: Floats, down: Floats, quirks: tuple[Quirk, ...], rng: np.random.Generator) -> None:
    """Lay the scripted transfers over ordinary use, in place; the line never carries more than itself."""
    for quirk in quirks:
        share = {QuirkKind.TRAFFIC_UP: up, QuirkKind.TRAFFIC_DOWN: down}.get(quirk.kind)
        if share is None:
            continue
        first, last = round(quirk.at_s), round(quirk.at_s + quirk.for_s)
        part = share[first:last]
        part += (quirk.size * rng.normal(1.0, 0.02, len(part))).astype(np.float32)
        np.clip(part, 0, 1.0, out=part)
        # Acknowledgements of a transfer go the other way: a fortieth of the bytes, from memory.
        other = down if share is up else up
        other[first:last] = np.minimum(other[first:last] + quirk.size / 40, 1.0)


def queue_delay_s(
    share: Floats, rate_bps: float, queue_s: float, rng: np.random.Generator, *, bursty: bool = False
) -> tuple[Floats, Floats]:
    """What waits before the line, [second]: seconds of delay and share of packets dropped.

    Below FULL the mean wait of a queue with Poisson arrivals and fixed service (M/D/1, textbook):
    service x load / (2 (1 - load)). From FULL on the queue stands as transfers keep it: between half and all
    of its depth, dropping one packet in some hundred.

    bursty: senders send at the line's full rate now and then, and what comes meanwhile finds the queue filled
    by a part of its depth. A line is busy for just its share of use (utilization law, textbook), so that
    no more packets than that meet a queue. Fitted so that a line in use has a 99th percentile of about three
    times its median (see `measured.IN_USE_P99`).
    """
    load = np.minimum(share, 0.97)
    wait = (MTU_BITS / rate_bps) * load / (2 * (1 - load))
    full = share >= FULL
    if bursty:
        hit = rng.random(len(share)) < share
        wait = wait + hit * rng.exponential(queue_s * BURST_FILL, len(share))
    standing = queue_s * rng.uniform(0.5, 1.0, len(share))
    drop = np.where(full, rng.uniform(0.0, 0.015, len(share)), 0.0)
    return np.where(full, standing, wait).astype(np.float32), drop.astype(np.float32)
