"""A live state with something of everything in it."""

import random

from support.records import lifelike
from whichhop.model import Columns, Fate, Method, Reading, Record, Sample, SessionKey
from whichhop.serve.live import LiveState

NAMES = ("desk", "attic", "router", "harbour", "provider-edge")
STAMP = SessionKey(agent="desk", target="attic", method=Method.STAMP)
ECHO = SessionKey(agent="desk", target="router", method=Method.ECHO)


def busy_state() -> LiveState:
    live = LiveState(home='Alder "House"\\', agent="desk", names=NAMES)
    for key in (STAMP, ECHO):
        for sample in lifelike(random.Random(2), 28_333_333, key, loss=0.1, count=200).samples:
            live.observe(key, sample)
    for fate in Fate:
        if fate is not Fate.ANSWERED:
            late = 3_200_000_000 if fate is Fate.LATE else None
            live.observe(STAMP, Sample(sent_ns=1_700_000_000_500_000_000, fate=fate, rtt_ns=late))
    record = Record(
        session=STAMP, minute=1, samples=Columns(), duplicates=2, reordered=1, clock_error_ns=1_500_000
    )
    values = {
        "loop_lateness_s": 0.0004,
        "steal_ratio": 0.01,
        "suspended_s": 2.5,
        "clock_step_s": -0.7,
        "send_failures": 3.0,
        "wan_rx_bytes": 2.0**40,
        "wan_tx_bytes": 3e9,
    }
    live.kept([record], [Reading(at_ns=1, agent="desk", name=n, value=v) for n, v in values.items()])
    live.values.update(store_bytes=123_456, store_writable=1)
    live.faults = {"desk/attic": 0.93, "beyond": 0.01}
    live.episodes = [("wireless-hop", "desk/attic")]
    return live
