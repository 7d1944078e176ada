"""An uplink filled by the home: 50 runs on paper, the same queues with the home silent, one of packets."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

from bench.figure import Figure
from support.own_uplink import PROVIDERS, Shape, of_packets, on_paper
from whichhop.model import Cause

RUNS = 50


def run() -> Iterator[Figure]:
    own, blamed, line = 0, 0, 0
    for seed in range(RUNS):
        shape = Shape.drawn(seed)
        verdicts = on_paper(shape)
        own += [v.cause for v in verdicts] == [Cause.OWN_TRAFFIC]
        blamed += any(v.cause in PROVIDERS for v in verdicts)
        line += any(v.cause is Cause.UPSTREAM_LINK for v in on_paper(shape, silent=True))
    yield Figure(
        bench="own-uplink",
        value=own,
        unit=f"of {RUNS} filled uplinks named own traffic alone",
        target=RUNS,
        ok=own == RUNS and blamed == 0 and line == RUNS,
        beside={"provider-blamed": blamed, "silent-named-upstream": line},
    )
    with tempfile.TemporaryDirectory() as folder:
        causes = [v["cause"] for v in of_packets(Path(folder))]
    yield Figure(
        bench="own-uplink",
        value=causes.count(Cause.OWN_TRAFFIC),
        unit="verdicts of own traffic in a run of real packets",
        target=1,
        ok=causes == [Cause.OWN_TRAFFIC],
        beside={"provider-blamed": sum(c in PROVIDERS for c in causes)},
    )
