"""The rate of a token bucket at 50, 300 and 940 Mbit/s on a short and a long queue, as a transfer finds it.

Each transfer is held against the rate that was asked for, and beside it against what the queue let through by
the kernel's count: on a machine whose processors are taken from it the two differ.
"""

from collections.abc import Iterator

from msgspec import Struct

from bench.figure import Figure
from support.bulk_path import shape, to_far, transfer
from support.counted import counted
from support.namespaces import V4, Path4, four_nodes

RUNS = 10
DOWN_MBPS, UP_MBPS = 500, 40
PAYLOAD = 1448 / 1514


class Run(Struct, frozen=True):
    """error: against the rate asked for. counted: against the kernel's count of the queue."""

    error: float
    counted: float
    seconds: float


def _runs(path: Path4, rate_mbps: float, *, down: bool = False) -> list[Run]:
    out = []
    for _ in range(RUNS):
        node, device = ("edge", "router") if down else ("router", "edge")
        with counted(path, node, device) as queue:
            if down:
                sent, _ = transfer(path, "far", "host", V4["host"], limit_s=2.9)
            else:
                sent, _ = to_far(path, limit_s=2.9)
        found = sent["settled"]["rate_bps"] / PAYLOAD
        errors = [abs(found / truth - 1) for truth in (rate_mbps * 1e6, queue.rate_bps)]
        out.append(Run(*errors, sent["seconds"]))
    return out


def _figure(what: str, runs: list[Run]) -> Figure:
    errors = sorted(run.error for run in runs)
    longest = max(run.seconds for run in runs)
    return Figure(
        bench="rate-tbf",
        value=round(errors[-1], 5),
        unit=f"worst error of {len(runs)}, {what}",
        target=0.01,
        ok=errors[-1] <= 0.01 and longest <= 3.0,
        beside={
            "median-error": round(errors[len(errors) // 2], 5),
            "worst-against-the-kernels-count": round(max(run.counted for run in runs), 5),
            "longest-s": round(longest, 2),
        },
    )


def _uneven(path: Path4) -> Iterator[Figure]:
    """A line of 500 Mbit/s down and 40 up, each direction in turn."""
    shape(path, UP_MBPS * 1e6, 0.1)
    shape(path, DOWN_MBPS * 1e6, 0.1, node="edge", device="router")
    yield _figure(f"{UP_MBPS} Mbit/s up beside {DOWN_MBPS} down", _runs(path, UP_MBPS))
    yield _figure(f"{DOWN_MBPS} Mbit/s down beside {UP_MBPS} up", _runs(path, DOWN_MBPS, down=True))


def run() -> Iterator[Figure]:
    with four_nodes() as path:
        for rate_mbps in (50, 300, 940):
            for queue_s in (0.05, 0.4):
                shape(path, rate_mbps * 1e6, queue_s)
                what = f"{rate_mbps} Mbit/s, queue {queue_s * 1e3:.0f} ms"
                yield _figure(what, _runs(path, rate_mbps))
        yield from _uneven(path)
