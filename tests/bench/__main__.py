"""`tests/run bench [--busy] [NAME]`: run all benchmarks, or one; --busy: with every core kept busy."""

import importlib
import sys
from collections.abc import Callable, Iterable
from contextlib import nullcontext

from msgspec.structs import replace

from bench.busy import busy_cores
from bench.figure import Figure

# name of the bench -> module with a `run()` that yields figures
BENCHES: dict[str, str] = {
    "rtt-error": "bench.rtt_error",
    "send-pacing": "bench.send_pacing",
    "reflector-rate": "bench.reflector_rate",
    "stamp-reflect": "bench.stamp_reflect",
    "loss-count": "bench.loss_count",
    "variation-error": "bench.variation_error",
    "daemon-rss": "bench.daemon_rss",
    "daemon-cpu": "bench.daemon_cpu",
    "relay": "bench.relay",
    "rate-tbf": "bench.rate_tbf",
    "rate-veth": "bench.rate_veth",
    "own-uplink": "bench.own_uplink",
    "own-uplink-packets": "bench.own_uplink_packets",
    "own-transfers": "bench.own_transfers",
    "comparer": "bench.comparer",
    "live-tick": "bench.live_tick",
    "store-size": "bench.store_size",
    "store-read": "bench.store_read",
    "report-time": "bench.report_time",
    "forgeries": "bench.forgeries",
    "fleet": "bench.fleet",
}

BOTH_WAYS = ("rtt-error", "variation-error")
"""These keep the cores busy and idle in turn, and say which."""


def main() -> int:
    words = sys.argv[1:]
    busy = "--busy" in words
    names = [w for w in words if w != "--busy"] or [b for b in BENCHES if not busy or b not in BOTH_WAYS]
    # NAME=N makes N runs, where a bench takes a number
    wanted = {name: number for name, _, number in (n.partition("=") for n in names)}
    unknown = [n for n in wanted if n not in BENCHES]
    if unknown:
        sys.stderr.write(f"no bench named {', '.join(unknown)}; there are: {', '.join(BENCHES)}\n")
        return 2
    if busy and (both := [n for n in wanted if n in BOTH_WAYS]):
        sys.stderr.write(f"{', '.join(both)}: measured with cores busy and idle anyway; leave --busy out\n")
        return 2
    good = True
    with busy_cores() if busy else nullcontext():
        for name, number in wanted.items():
            run: Callable[..., Iterable[Figure]] = importlib.import_module(BENCHES[name]).run
            for figure in run(int(number)) if number else run():
                told = replace(figure, unit=f"{figure.unit}, every core busy") if busy else figure
                print(told.line(), flush=True)
                good = good and figure.ok
    return 0 if good else 1


if __name__ == "__main__":
    raise SystemExit(main())
