"""How much our transfer moves over a bare veth pair, beside a C sink and source compiled here and now."""

import json
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from bench.compiled import compiled
from bench.figure import Figure
from support.veth import Pair, veth_pair

SECONDS = 3.0
ROUNDS = 9
END = str(Path(__file__).parents[1] / "support" / "bulk_end.py")


def _run(pair: Pair, sink: list[str], source: list[str]) -> str:
    with subprocess.Popen(pair.inside(pair.far, *sink), stdout=subprocess.PIPE, text=True) as taking:
        assert taking.stdout is not None
        assert taking.stdout.readline() == "ready\n"
        subprocess.run(pair.inside(pair.near, *source), check=True, capture_output=True, timeout=60)
        return taking.stdout.read()


def _of_c(pair: Pair, tool: str, streams: int, port: int) -> float:
    words = [pair.far_v4, str(port), str(streams)]
    said = _run(pair, [tool, "sink", *words], [tool, "source", *words, str(SECONDS)])
    octets, seconds = said.split()
    return int(octets) * 8 / float(seconds)


def _of_ours(pair: Pair, streams: int, port: int) -> float:
    words = [pair.far_v4, str(port), str(streams)]
    sink = [sys.executable, END, "receive", *words]
    said = json.loads(
        _run(pair, sink, [sys.executable, END, "send", *words, str(SECONDS), str(10**13), "whole"])
    )
    return float(said["octets"]) * 8 / float(said["seconds"])


def run() -> Iterator[Figure]:
    with tempfile.TemporaryDirectory() as folder, veth_pair() as pair:
        tool = compiled("bulk", folder, "-pthread")
        for streams in (1, 4):
            ratios, ours, theirs = [], [], []
            for turn in range(ROUNDS):  # in turn, so that the machine's moods meet both
                theirs.append(_of_c(pair, tool, streams, 9100 + turn))
                ours.append(_of_ours(pair, streams, 9200 + turn))
                ratios.append(ours[-1] / theirs[-1])
            value = round(statistics.median(ours) / statistics.median(theirs), 3)
            yield Figure(
                bench="rate-veth",
                value=value,
                unit=f"of the C sink and source, {streams} stream{'s' if streams > 1 else ''}",
                target=0.95,
                ok=value >= 0.95,
                beside={
                    "gbps": round(statistics.median(ours) / 1e9, 2),
                    "c-gbps": round(statistics.median(theirs) / 1e9, 2),
                },
            )
