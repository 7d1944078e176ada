"""The rate of a token bucket at 50, 300 and 940 Mb/s on a short and a long queue, as a transfer finds it."""

from collections.abc import Iterator

from bench.figure import Figure
from support.bulk_path import shape, to_far
from support.namespaces import four_nodes

RUNS = 10
PAYLOAD = 1448 / 1514


def run() -> Iterator[Figure]:
    with four_nodes() as path:
        for rate_mbps in (50, 300, 940):
            for queue_s in (0.05, 0.4):
                shape(path, rate_mbps * 1e6, queue_s)
                errors, seconds = [], []
                for _ in range(RUNS):
                    sent, _received = to_far(path, limit_s=2.9)
                    errors.append(abs(sent["settled"]["rate_bps"] / (rate_mbps * 1e6 * PAYLOAD) - 1))
                    seconds.append(sent["seconds"])
                worst = max(errors)
                yield Figure(
                    bench="rate-tbf",
                    value=round(worst, 5),
                    unit=f"worst error of {RUNS}, {rate_mbps} Mb/s, queue {queue_s * 1e3:.0f} ms",
                    target=0.01,
                    ok=worst <= 0.01 and max(seconds) <= 3.0,
                    beside={
                        "median-error": round(sorted(errors)[RUNS // 2], 5),
                        "longest-s": round(max(seconds), 2),
                    },
                )
