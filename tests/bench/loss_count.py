"""Loss of 1 to 5 %, one way at a time, as the agent counts it beside what the relay dropped, to the packet.

600 packets a run, as ten minutes at one a second have, sent at 50 a second to take two minutes in all.
"""

import tempfile
from collections.abc import Iterator
from pathlib import Path

from bench.figure import Figure
from support.lab_measuring import Seen, lost, measuring
from whichhop.stats.proportion import wilson

PERCENTS = (1, 2, 3, 5)
WAYS = ("up", "down")
GAP_S, SECONDS = 0.02, 12.0


def unaccounted(seen: Seen) -> int:
    """Packets that are in no place or in two, and losses that the relay did not make or the agent not see."""
    fates = seen.fates
    parts = fates.answered + fates.lost + fates.set_aside
    relay = lost(seen.up) + lost(seen.down)
    missed = max(0, relay - fates.set_aside - fates.lost) + max(0, fates.lost - relay)
    return abs(parts - seen.samples) + abs(seen.up["taken"] - seen.samples + seen.not_sent) + missed


def run() -> Iterator[Figure]:
    inside = stray = wrong = unknown = aside = packets = losses = 0
    with tempfile.TemporaryDirectory() as folder, measuring(Path(folder)) as lab:
        for percent in PERCENTS:
            for way in WAYS:
                seen = lab.session(f"loss {percent}% {way}", gap_s=GAP_S, seconds=SECONDS)
                fates = seen.fates
                inside += percent / 100 in wilson(fates.lost, fates.sent)
                stray += unaccounted(seen)
                wrong += fates.lost_back if way == "up" else fates.lost_out
                unknown, aside = unknown + fates.unknown, aside + fates.set_aside
                packets, losses = packets + seen.samples, losses + fates.lost
    runs = len(PERCENTS) * len(WAYS)
    beside = {
        "wrong-way": float(wrong),
        "way-unknown": float(unknown),
        "set-aside": float(aside),
        "packets": float(packets),
        "lost": float(losses),
        "runs-inside-wilson": float(inside),
        "runs": float(runs),
    }
    # A 95 % interval misses its truth once in twenty: of eight runs at least six hold it, all but 0.6 % of
    # the time (binomial). What has no chance in it must be exact: each packet accounted for, no wrong way.
    yield Figure(
        bench="loss-count",
        value=float(stray + wrong),
        unit="packets unaccounted for or told of the wrong way",
        target=0.0,
        ok=stray == wrong == 0 and inside >= runs - 2,
        beside=beside,
    )
