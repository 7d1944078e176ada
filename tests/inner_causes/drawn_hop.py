"""Draws one hop with a known cause inside, packet by packet, from published figures alone.

Nothing of the paper home is in it. Beacons 102.4 ms apart and DTIM 1 to 3 (IEEE 802.11); a background scan of
11 to 25 channels, some 100 ms away for each, every 60 to 300 s; the mains' 50 or 60 Hz and their half-waves;
pumps and compressors that run some minutes in ten; a modem that trains for 30 to 90 s. Spreads, losses:
common practice.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.daemon.schedule import STEP_NS, STEPS
from whichhop.inside.packets import HopPackets
from whichhop.inside.seen import OwnUse, Place, Seen, Sort
from whichhop.inside.shape import shape_of
from whichhop.model import Cause, Severity, Verdict
from whichhop.model.hop_facts import HopFacts
from whichhop.model.inner_cause import InnerCause as Inner

BEACON_S = 0.1024


class Drawn(Struct):
    """A hop while it is drawn; what a cause does is added in place."""

    rng: np.random.Generator
    seconds: float
    sent: np.ndarray
    session: np.ndarray
    delay: np.ndarray
    there: np.ndarray
    lost: np.ndarray
    facts: dict[str, float | None] = field(default_factory=dict)
    use: OwnUse = field(default_factory=OwnUse)
    hour: float = 12.0

    def wait(self, which: np.ndarray, seconds: np.ndarray, there: float = 0.5) -> None:
        self.delay[which] += seconds
        self.there[which] += seconds * there

    def lose(self, share: float | np.ndarray) -> None:
        self.lost |= self.rng.random(self.sent.size) < share


def quiet_hop(rng: np.random.Generator, seconds: float, spread_s: float, sessions: int | None) -> Drawn:
    """Two to eight sessions of a packet a second; log-normal noise, a few stragglers, rare loss."""
    many = int(rng.integers(2, 9)) if sessions is None else sessions
    phases = rng.uniform(0, 1, many)
    sent = np.concatenate([np.arange(int(seconds)) + p for p in phases])
    sent += rng.integers(0, STEPS, sent.size) * (STEP_NS * 1e-9)
    session = np.repeat(np.arange(many), int(seconds))
    order = np.argsort(sent)
    sent, session = sent[order] + rng.normal(0, 2e-4, sent.size), session[order]
    noise = spread_s * rng.lognormal(0, 0.8, sent.size)
    stray = rng.random(sent.size) < 0.003
    noise[stray] += rng.exponential(0.03, int(stray.sum()))
    return Drawn(
        rng, seconds, sent, session, noise, noise * rng.random(sent.size), rng.random(sent.size) < 5e-4
    )


def _on_at(hop: Drawn, every_s: float, on_s: float, wobble: float) -> np.ndarray:
    """Whether each packet falls into the part of a cycle that is on; each cycle's begin wobbles by itself."""
    on = np.zeros(hop.sent.size, bool)
    begin = float(hop.rng.uniform(0, every_s))
    while begin < hop.seconds:
        at = begin + hop.rng.normal(0, wobble)
        on |= (hop.sent >= at) & (hop.sent < at + on_s)
        begin += every_s
    return on


def weak(hop: Drawn) -> None:
    n, rng = hop.sent.size, hop.rng
    fading = np.convolve(rng.normal(0, 1, n), np.ones(30) / 30**0.5, "same")
    fail = np.clip(rng.uniform(0.45, 0.68) + 0.06 * fading, 0.05, 0.9)
    tries = rng.geometric(1 - fail)
    hop.wait(
        np.ones(n, bool), np.minimum(2.0 ** np.minimum(tries, 6) * 0.8e-3, 0.06) * rng.uniform(0.5, 1.5, n)
    )
    hop.lost |= tries > 6
    hop.facts = {
        "radio_signal_dbm": rng.uniform(-87, -76),
        "radio_retry_share": 0.5,
        "radio_busy_share": rng.uniform(0.1, 0.4),
    }


def busy(hop: Drawn) -> None:
    n, rng = hop.sent.size, hop.rng
    wait = rng.gamma(0.8, rng.uniform(0.006, 0.03), n)
    deep = rng.random(n) < 0.04
    wait[deep] += rng.uniform(0.02, 0.12, int(deep.sum()))
    hop.wait(np.ones(n, bool), wait + 0.002)
    hop.lose(rng.uniform(0.001, 0.01))
    hop.facts = {"radio_signal_dbm": rng.uniform(-62, -45), "radio_busy_share": rng.uniform(0.65, 0.95)}


def oven(hop: Drawn) -> None:
    rng = hop.rng
    hz = float(rng.choice([50.0, 60.0])) + rng.normal(0, 0.015)
    wander = np.interp(
        hop.sent,
        np.arange(0, hop.seconds + 60, 60),
        np.cumsum(rng.normal(0, 0.1, np.arange(0, hop.seconds + 60, 60).size)),
    )
    cycle = (hz * hop.sent + wander / 6 + rng.random()) % 1.0
    hit = (cycle < rng.uniform(0.35, 0.5)) & (rng.random(hop.sent.size) < 0.8)
    hop.wait(hit, rng.uniform(0.006, 0.04, int(hit.sum())))
    hop.lost |= hit & (rng.random(hop.sent.size) < 0.1)
    hop.facts = {"radio_signal_dbm": rng.uniform(-68, -50)}


def dimmer(hop: Drawn) -> None:
    rng = hop.rng
    hz = float(rng.choice([100.0, 120.0])) + rng.normal(0, 0.02)
    cycle = (hz * hop.sent + 0.4 * np.sin(hop.sent / rng.uniform(30, 90))) % 1.0
    hit = (cycle < rng.uniform(0.15, 0.45)) & (rng.random(hop.sent.size) < 0.9)
    hop.wait(hit, rng.uniform(0.008, 0.03, int(hit.sum())))
    hop.lost |= hit & (rng.random(hop.sent.size) < 0.08)


def cycles(hop: Drawn) -> None:
    rng = hop.rng
    every = float(rng.uniform(90, min(700, hop.seconds / 6)))
    on = _on_at(hop, every, every * rng.uniform(0.08, 0.3), every * 0.015)
    hop.wait(on, rng.exponential(rng.uniform(0.02, 0.06), int(on.sum())))
    hop.lost |= on & (rng.random(hop.sent.size) < rng.uniform(0.02, 0.15))


def scan(hop: Drawn) -> None:
    rng = hop.rng
    every = float(rng.uniform(60, min(300, hop.seconds / 7)))
    channels, away = int(rng.integers(11, 26)), rng.uniform(0.06, 0.12)
    begin = float(rng.uniform(0, every))
    while begin < hop.seconds:
        at = begin + rng.normal(0, 0.3)
        for i in range(channels):
            start = at + i * (away + 0.06)
            off = (hop.sent >= start) & (hop.sent < start + away)
            hop.wait(off, start + away - hop.sent[off] + rng.uniform(0.002, 0.02, int(off.sum())))
            hop.lost |= off & (rng.random(hop.sent.size) < 0.1)
        begin += every * rng.uniform(0.995, 1.005)
    hop.facts = {"radio_signal_dbm": rng.uniform(-65, -45), "radio_busy_share": rng.uniform(0.1, 0.4)}


def doze(hop: Drawn) -> None:
    rng = hop.rng
    every = BEACON_S * int(rng.integers(1, 4))
    stays = rng.uniform(0.06, 0.2)
    other = np.cumsum(rng.exponential(rng.uniform(2, 20), int(hop.seconds)))
    touched = np.sort(np.concatenate([hop.sent, other]))
    before = touched[np.maximum(np.searchsorted(touched, hop.sent - 1e-9) - 1, 0)]
    asleep = (hop.sent - before > stays) & (rng.random(hop.sent.size) < 0.9)
    wait = every - (hop.sent + 0.003) % every
    hop.wait(asleep, wait[asleep], there=0.0)
    hop.facts = {"radio_signal_dbm": rng.uniform(-65, -45), "radio_power_save": 1.0}


def flap(hop: Drawn) -> None:
    rng = hop.rng
    for at in rng.uniform(0, hop.seconds - 40, max(3, rng.poisson(hop.seconds / rng.uniform(120, 300)))):
        hop.lost |= (hop.sent >= at) & (hop.sent < at + rng.uniform(4, 35))


def damaged(hop: Drawn) -> None:
    share = float(hop.rng.uniform(0.015, 0.12))
    hop.lose(share)
    frames = 1e5
    hop.facts = {"port_frames": frames, "port_errors": share * frames / 2, "port_speed_bps": 1e9}


def slow_port(hop: Drawn) -> None:
    rng = hop.rng
    full = rng.random(hop.sent.size) < rng.uniform(0.1, 0.4)
    hop.wait(full, rng.exponential(0.03, int(full.sum())))
    hop.facts = {"port_speed_bps": 1e8, "port_able_bps": 1e9, "port_full_duplex": 1.0}


def one_way(hop: Drawn) -> None:
    slow_port(hop)
    hop.lose(0.02)
    hop.facts = {"port_speed_bps": 1e8, "port_able_bps": 1e8, "port_full_duplex": 0.0}


def evening(hop: Drawn) -> None:
    rng = hop.rng
    ramp = np.sin(np.pi * np.clip(hop.sent / hop.seconds, 0.05, 0.95))
    hop.wait(
        np.ones(hop.sent.size, bool), rng.exponential(1.0, hop.sent.size) * ramp * rng.uniform(0.012, 0.05)
    )
    hop.lose(rng.uniform(0.0, 0.01))
    hop.use, hop.hour = (
        OwnUse(down=rng.uniform(0.02, 0.3), up=rng.uniform(0.01, 0.2)),
        rng.uniform(18.5, 22.5),
    )


def trains(hop: Drawn) -> None:
    rng = hop.rng
    for at in rng.uniform(0, hop.seconds - 100, int(rng.integers(1, 5))):
        hop.lost |= (hop.sent >= at) & (hop.sent < at + rng.uniform(30, 90))
    hop.use, hop.hour = OwnUse(down=0.1, up=0.1), rng.uniform(0, 24)


def dead(hop: Drawn) -> None:
    hop.lost |= (hop.sent > 20) & (hop.sent < hop.seconds - 20)
    hop.hour = hop.rng.uniform(0, 24)


def fills_up(hop: Drawn) -> None:
    rng = hop.rng
    hop.wait(np.ones(hop.sent.size, bool), rng.uniform(0.02, 0.2, hop.sent.size), there=0.97)
    hop.lose(0.01)
    hop.use = OwnUse(down=rng.uniform(0.02, 0.4), up=rng.uniform(0.8, 1.05))


def fills_down(hop: Drawn) -> None:
    rng = hop.rng
    hop.wait(np.ones(hop.sent.size, bool), rng.uniform(0.02, 0.2, hop.sent.size), there=0.03)
    hop.use = OwnUse(down=rng.uniform(0.8, 1.05), up=rng.uniform(0.02, 0.4))


def restart(hop: Drawn) -> None:
    hop.lost |= (hop.sent > 2) & (hop.sent < hop.seconds - 2)
    hop.facts = {"node_uptime_s": 20.0}


def overload(hop: Drawn) -> None:
    rng = hop.rng
    hop.wait(np.ones(hop.sent.size, bool), rng.exponential(rng.uniform(0.02, 0.08), hop.sent.size))
    hop.lose(rng.uniform(0.0, 0.05))
    hop.facts = {"node_processor_share": rng.uniform(0.9, 1.0)}


def steady(hop: Drawn) -> None:
    """A constant excess: none of the causes looks so."""
    hop.wait(np.ones(hop.sent.size, bool), np.full(hop.sent.size, hop.rng.uniform(0.013, 0.04)))
    hop.hour = hop.rng.uniform(1, 16)


def bursts(hop: Drawn) -> None:
    """Spells of loss and delay at random, of no known source."""
    rng = hop.rng
    for at in rng.uniform(0, hop.seconds, rng.poisson(hop.seconds / 40)):
        on = (hop.sent >= at) & (hop.sent < at + rng.exponential(3.0))
        hop.wait(on, rng.exponential(0.04, int(on.sum())))
        hop.lost |= on & (rng.random(hop.sent.size) < 0.5)
    hop.hour = rng.uniform(1, 16)


Act = Callable[[Drawn], None]
DRAWS: tuple[tuple[Sort, Inner, Act, float], ...] = (
    (Sort.RADIO, Inner.WEAK_SIGNAL, weak, 900.0),
    (Sort.RADIO, Inner.BUSY_CHANNEL, busy, 900.0),
    (Sort.RADIO, Inner.MAINS_INTERFERENCE, oven, 420.0),
    (Sort.RADIO, Inner.PERIODIC_INTERFERENCE, cycles, 3600.0),
    (Sort.RADIO, Inner.SCANNING, scan, 3600.0),
    (Sort.RADIO, Inner.POWER_SAVE, doze, 900.0),
    (Sort.RADIO, Inner.FLAPPING, flap, 1800.0),
    (Sort.POWER_LINE, Inner.MAINS_NOISE, dimmer, 600.0),
    (Sort.POWER_LINE, Inner.APPLIANCE_CYCLE, cycles, 3600.0),
    (Sort.POWER_LINE, Inner.DROPOUTS, flap, 1800.0),
    (Sort.COAX, Inner.DROPOUTS, flap, 1800.0),
    (Sort.ETHERNET, Inner.FRAME_ERRORS, damaged, 600.0),
    (Sort.ETHERNET, Inner.SLOW_PORT, slow_port, 600.0),
    (Sort.ETHERNET, Inner.HALF_DUPLEX, one_way, 600.0),
    (Sort.ETHERNET, Inner.FLAPPING, flap, 1800.0),
    (Sort.LINE, Inner.EVENING_CONGESTION, evening, 3600.0),
    (Sort.LINE, Inner.RETRAINS, trains, 1800.0),
    (Sort.LINE, Inner.LINE_OUTAGE, dead, 1200.0),
    (Sort.OWN_TRAFFIC, Inner.UPLOAD_FILLS, fills_up, 300.0),
    (Sort.OWN_TRAFFIC, Inner.DOWNLOAD_FILLS, fills_down, 300.0),
    (Sort.NODE, Inner.RESTART, restart, 120.0),
    (Sort.NODE, Inner.OVERLOAD, overload, 600.0),
)
"""Sort of hop, cause, what it does, seconds."""
NONE: tuple[tuple[Sort, Act, float], ...] = tuple(
    (sort, act, 1200.0)
    for sort in (Sort.RADIO, Sort.POWER_LINE, Sort.ETHERNET, Sort.LINE)
    for act in (steady, bursts)
)
BOTH: tuple[tuple[Sort, tuple[Inner, Inner], tuple[Act, Act]], ...] = (
    (Sort.RADIO, (Inner.WEAK_SIGNAL, Inner.SCANNING), (weak, scan)),
    (Sort.RADIO, (Inner.POWER_SAVE, Inner.SCANNING), (doze, scan)),
    (Sort.RADIO, (Inner.BUSY_CHANNEL, Inner.FLAPPING), (busy, flap)),
    (Sort.POWER_LINE, (Inner.MAINS_NOISE, Inner.DROPOUTS), (dimmer, flap)),
)
FACTS_ONLY = (Inner.SLOW_PORT, Inner.HALF_DUPLEX)
"""What packets alone do not show: told only where a counter tells it."""
_SPREAD = {Sort.RADIO: 0.0012, Sort.POWER_LINE: 0.001, Sort.LINE: 0.0008}


def seen_of(
    sort: Sort,
    acts: tuple[Act, ...],
    seconds: float,
    seed: int,
    *,
    facts: bool,
    sessions: int | None = None,
) -> tuple[Seen, HopPackets]:
    """A hop drawn and looked at. facts: whether counters were read."""
    rng = np.random.default_rng((seed, len(acts), round(seconds), *sort.encode()))
    hop = quiet_hop(rng, seconds, _SPREAD.get(sort, 0.0001), sessions)
    told: dict[str, Any] = {}
    for act in acts:
        act(hop)
        told |= hop.facts
    hop.lost = hop.lost.astype(bool)
    packets = HopPackets(
        start_ns=0,
        seconds=seconds,
        session=hop.session.astype(np.int16),
        sent_s=hop.sent,
        excess_s=np.where(hop.lost, np.nan, hop.delay),
        there_s=np.where(hop.lost, np.nan, hop.there),
        lost=hop.lost,
    )
    known = {k: v for k, v in told.items() if facts or k.startswith("port_speed")}
    read = tuple(
        HopFacts(agent="a", other="b", link="a/b", at_ns=0, **known) for _ in range(1 if known else 0)
    )
    up = tuple(replace(f, node_uptime_s=9e5) for f in read if f.node_uptime_s is not None)
    place = Place(sort=sort, link=None, words=f"{sort} between a and b", name="a/b")
    verdict = Verdict(
        cause=Cause.WIRELESS_HOP,
        elements=("a/b",),
        probability=0.99,
        start_ns=0,
        end_ns=round(seconds * 1e9),
        severity=Severity(sent=hop.sent.size, lost=int(hop.lost.sum())),
    )
    return (
        Seen(
            place=place,
            verdict=verdict,
            shape=shape_of(packets, packets),
            use=hop.use,
            facts=read,
            before=up,
            hour=hop.hour,
            lasts_s=seconds,
        ),
        packets,
    )
