"""The rate of a token bucket at 50, 300 and 940 Mb/s on a short and a long queue, as a transfer finds it."""

from collections.abc import Iterator
from typing import Any

from bench.figure import Figure
from support.bulk_path import shape, to_far, transfer
from support.namespaces import V4, Path4, four_nodes

RUNS = 10
DOWN_MBPS, UP_MBPS = 500, 40
PAYLOAD = 1448 / 1514


def _figure(what: str, truth_mbps: float, runs: list[dict[str, Any]]) -> Figure:
    errors = sorted(abs(r["settled"]["rate_bps"] / (truth_mbps * 1e6 * PAYLOAD) - 1) for r in runs)
    longest = max(r["seconds"] for r in runs)
    return Figure(
        bench="rate-tbf",
        value=round(errors[-1], 5),
        unit=f"worst error of {len(runs)}, {what}",
        target=0.01,
        ok=errors[-1] <= 0.01 and longest <= 3.0,
        beside={"median-error": round(errors[len(errors) // 2], 5), "longest-s": round(longest, 2)},
    )


def _uneven(path: Path4) -> Iterator[Figure]:
    """A line of 500 Mb/s down and 40 up, each direction in turn."""
    shape(path, UP_MBPS * 1e6, 0.1)
    shape(path, DOWN_MBPS * 1e6, 0.1, node="edge", device="router")
    ups = [to_far(path, limit_s=2.9)[0] for _ in range(RUNS)]
    downs = [transfer(path, "far", "host", V4["host"], limit_s=2.9)[0] for _ in range(RUNS)]
    yield _figure(f"{UP_MBPS} Mb/s up beside {DOWN_MBPS} down", UP_MBPS, ups)
    yield _figure(f"{DOWN_MBPS} Mb/s down beside {UP_MBPS} up", DOWN_MBPS, downs)


def run() -> Iterator[Figure]:
    with four_nodes() as path:
        for rate_mbps in (50, 300, 940):
            for queue_s in (0.05, 0.4):
                shape(path, rate_mbps * 1e6, queue_s)
                runs = [to_far(path, limit_s=2.9)[0] for _ in range(RUNS)]
                yield _figure(f"{rate_mbps} Mb/s, queue {queue_s * 1e3:.0f} ms", rate_mbps, runs)
        yield from _uneven(path)
