"""A real uplink filled again and again in one running home: own traffic each time, and never the provider.

`tests/run bench own-uplink-packets` makes six runs; `... own-uplink-packets=N` N, a fifth of them with the
home silent. Each run is told on stderr as it ends. Runs in which every agent was set aside for half the time,
as when a hypervisor takes this machine's processors, are told and not counted.
"""

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from bench.figure import Figure
from support.filled_uplink import Load, Outcome, filled_uplink

RUNS = 6
SILENT_EACH = 5


def play(runs: int) -> Iterator[Outcome]:
    with tempfile.TemporaryDirectory() as folder, filled_uplink(Path(folder)) as uplink:
        for seed in range(runs):
            yield uplink.run(Load.drawn(seed, silent=seed % SILENT_EACH == SILENT_EACH - 1))
            uplink.rest()


def run(runs: int = RUNS) -> Iterator[Figure]:
    outcomes = []
    for outcome in play(runs):
        outcomes.append(outcome)
        sys.stderr.write(outcome.row() + "\n")
        sys.stderr.flush()
    own = [o for o in outcomes if not o.load.silent]
    silent = [o for o in outcomes if o.load.silent]
    for name, played in (("own traffic", own), ("access line, the home being silent", silent)):
        if not played:
            continue
        some = [o for o in played if o.witnessed]
        right = sum(o.right for o in some)
        yield Figure(
            bench="own-uplink-packets",
            value=right,
            unit=f"of {len(some)} runs of real packets named {name}",
            target=len(some),
            ok=0 < right == len(some),
            beside={
                "alone": sum(o.right and o.alone for o in some),
                "provider-blamed": sum(o.blames_provider for o in own),
                "nothing-said": sum(not o.verdicts for o in some),
                "without-a-witness": len(played) - len(some),
            },
        )
