"""A run on paper by the second, straight from the drawn packets."""

import numpy as np

from paper_home.flight import Packets
from paper_home.paper import PaperRun
from whichhop.compare.windows.filling import count_in
from whichhop.compare.windows.seconds import Seconds, empty_seconds


def seconds_of_run(run: PaperRun, start_ns: int) -> Seconds:
    """Every second of a run; `start_ns` is when the scenario's second 0 was."""
    out = empty_seconds([s.key for s in run.sessions], start_ns, int(run.scenario.seconds))
    for chunk in run.chunks():
        for packets in chunk:
            _count(out, packets, start_ns)
    return out


def _count(out: Seconds, packets: Packets, start_ns: int) -> None:
    for i, row in enumerate(packets.rows):
        # By the agent's clock, as its records have it.
        sent = start_ns + np.rint(packets.sent_s[i] * 1e9).astype(np.int64)
        round_trip_ns = np.nan_to_num(packets.rtt_s[i].astype(np.float64) * 1e9).astype(np.int64)
        count_in(out, {int(row): (sent, packets.fate[i], round_trip_ns)})
