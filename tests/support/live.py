"""A live state with something of everything in it."""

import random

from msgspec.structs import replace

from support.bulletins import group
from support.channels import down, reading, up
from support.records import lifelike
from whichhop.model import Columns, Direction, DslLine, Fate, Method, Reading, Record, Sample, SessionKey
from whichhop.model.bulletin import Bulletin
from whichhop.model.inner_cause import InnerAnswer, InnerCause, Reason
from whichhop.serve.catalogue import CATALOGUE
from whichhop.serve.live import LiveState

NAMES = ("desk", "attic", "router", "harbour", "provider-edge", "modem")
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
    channels = [down(1, unerrored=99, corrected=1, uncorrectable=0), up(1, t3_timeouts=1, t4_timeouts=0)]
    line = DslLine(direction=Direction.DOWN, margin_db=6.0, attenuation_db=20.0, rate_bps=5e7)
    live.modems["modem"] = replace(reading(channels, at_s=60.0), dsl=(line,), receive_dbm=-18.0)
    values = {
        "loop_lateness_s": 0.0004,
        "steal_ratio": 0.01,
        "suspended_s": 2.5,
        "clock_step_s": -0.7,
        "send_failures": 3.0,
        "wan_rx_bytes": 2.0**40,
        "wan_tx_bytes": 3e9,
        "call_rating:attic": 91.5,
        "call_opinion_score:attic": 4.38,
        "call_jitter_s:attic": 0.0012,
        "call_loss_ratio:attic": 0.002,
        "path_mtu_bytes:attic": 1492.0,
        "dscp_kept:attic": 1.0,
        "route_steps:attic": 3.0,
        "route_changed:attic": 1.0,
        "call_rating:nobody": 12.0,
    }
    live.kept([record], [Reading(at_ns=1, agent="desk", name=n, value=v) for n, v in values.items()])
    live.values.update(fleet_samples_sent=5, fleet_samples_given_up=1, fleet_samples_waiting=2)
    live.values.update(store_bytes=123_456, store_writable=1, transfer_bytes=3e6, transfer_refusals=2)
    live.values["http_turned_away"] = 3
    live.failures["modem-levels"] = 4
    rows = [n for n, row in CATALOGUE.items() if row.labels == ("home", "agent", "target")]
    live.of_targets = {(name, "harbour"): float(i) for i, name in enumerate(rows)}
    live.by_reason["reflector_refused"] = {"not-allowed": 3, "looped": 1}
    live.skipped = lambda: {STAMP: 4, ECHO: 0}
    live.faults = {"desk/attic": 0.93, "beyond": 0.01}
    live.judged = _with_a_cause(group())
    live.levels = {"desk/attic": (0.0021, 0.0058)}
    return live


def _with_a_cause(bulletin: Bulletin) -> Bulletin:
    reason = Reason(cause=InnerCause.BUSY_CHANNEL, probability=0.82, evidence=())
    inside = InnerAnswer(where="Wi-Fi between desk and attic", reasons=(reason,))
    first, *rest = bulletin.told
    return replace(bulletin, told=(replace(first, verdict=replace(first.verdict, inside=inside)), *rest))
