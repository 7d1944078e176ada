"""A live state with something of everything in it."""

import random

from support.records import lifelike
from whichhop.model import Fate, Method, Sample, SessionKey
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
    live.facts(STAMP, duplicates=2, reordered=1, clock_error_ns=1_500_000)
    live.values.update(
        loop_lateness_seconds=0.0004,
        steal_ratio=0.01,
        asleep_seconds=0.0,
        clock_steps=1,
        wan_received_bytes=2.0**40,
        wan_transmitted_bytes=3e9,
        store_bytes=123_456,
        store_writable=1,
        store_records=77,
    )
    live.faults = {"desk/attic": 0.93, "beyond": 0.01}
    live.episodes = [("wireless-hop", "desk/attic")]
    return live
