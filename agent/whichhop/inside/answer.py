"""Weighs the causes inside a hop against each other and against "none of these"."""

import math
from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from whichhop.inside.packets import HopPackets
from whichhop.inside.seen import Seen, Sign, Sort
from whichhop.inside.shape import bad_of
from whichhop.inside.table import BY_SORT, Row
from whichhop.model.inner_cause import NAMED_AT, Drawing, InnerAnswer, InnerCause, Reason

TEMPER = 1.4
"""One temperature for all log-ratios, which were set by hand, their sum too modest. Over 495 development
hops, those with two causes and those with none of the table's too, 99.2 % of what is named is right; 1.0 says
92.3 % on average, 1.2 94.9 %, 1.3 96.0 %. No further: homes may be less kind than what was drawn."""
NOTHING = 1.2
"""What "none of these" may claim without any sign: a little less than one good sign (development homes)."""
LEAST_TOLD = 0.03


def weigh(seen: Seen) -> list[tuple[Row, float, tuple[Sign, ...]]]:
    """Each row's probability with its signs, likeliest first; what is missing to 1 is none of them."""
    rows = BY_SORT[seen.place.sort]
    if seen.place.shared:
        seen = replace(seen, shape=None)
    signs = [tuple(row.looks(seen)) for row in rows]
    scores = [
        math.log(row.prior) + TEMPER * sum(s.weight for s in one)
        for row, one in zip(rows, signs, strict=True)
    ]
    none = math.log(max(0.05, 1.0 - sum(row.prior for row in rows))) + TEMPER * NOTHING
    top = max([none, *scores])
    total = math.exp(none - top) + sum(math.exp(s - top) for s in scores)
    found = [(row, math.exp(s - top) / total, one) for row, s, one in zip(rows, scores, signs, strict=True)]
    return sorted(found, key=lambda f: -f[1])


_SETTLES: dict[Sort, tuple[str, ...]] = {
    Sort.RADIO: (
        "have an agent at one end of this hop read its radio (signal, busy time, retries)",
        "measure for an hour or more: scans, dozing and appliances show by their rhythm",
    ),
    Sort.POWER_LINE: ("measure for a day: appliances show by their hours and cycles",),
    Sort.COAX: ("run a transfer over this hop (whichhop transfer HOME)",),
    Sort.ETHERNET: ("run an agent at one end of this cable, which reads its port's speed and errors",),
    Sort.LINE: ("read the modem's levels (whichhop levels HOME)", "measure over some evenings and mornings"),
    Sort.OWN_TRAFFIC: ("read the router's byte counters in both directions",),
    Sort.NODE: ("read the box's uptime and load by SNMP",),
}


def answer_of(seen: Seen, packets: HopPackets | None = None) -> InnerAnswer:
    """The causes inside a hop with their evidence, or that they cannot be told apart."""
    found = weigh(seen)
    reasons = tuple(
        Reason(
            cause=row.cause,
            probability=round(probability, 3),
            evidence=tuple(
                s.words for s in sorted(signs, key=lambda s: -s.weight) if s.words and s.weight > 0
            ),
        )
        for row, probability, signs in found
        if probability >= LEAST_TOLD
    )
    named = bool(reasons) and reasons[0].probability >= NAMED_AT
    return InnerAnswer(
        where=seen.place.words,
        reasons=reasons,
        settles=() if named else _SETTLES.get(seen.place.sort, ()),
        drawing=_drawing(seen, reasons, packets),
    )


BARS = 40
LOST_SHOWN = 0.5
"""A bar of which more than this was lost is drawn as loss."""


def _drawing(seen: Seen, reasons: Sequence[Reason], packets: HopPackets | None) -> Drawing | None:
    """The one series that shows the likeliest cause: by the hour of the day, by the cycle, or by time."""
    first = reasons[0].cause if reasons else None
    hours = seen.hours
    period = None if seen.shape is None else seen.shape.period
    by_hour = first is InnerCause.EVENING_CONGESTION or (
        first is InnerCause.APPLIANCE_CYCLE and period is None
    )
    if by_hour and hours is not None and hours.busy_ratio is not None:
        known = [h for h in range(24) if math.isfinite(hours.added_s[h])]
        return Drawing(
            title="Added latency by the hour of the day",
            x_words="o'clock",
            y_words="ms",
            x=tuple(float(h) for h in known),
            y=tuple(round(hours.added_s[h] * 1e3, 1) for h in known),
        )
    if packets is None or packets.sent_s.size < BARS:
        return None
    if (
        period is not None
        and not period.wanders
        and first
        in (
            InnerCause.SCANNING,
            InnerCause.PERIODIC_INTERFERENCE,
            InnerCause.APPLIANCE_CYCLE,
        )
    ):
        return _folded(packets, period.every_s)
    return over_time(seen, packets)


def _folded(packets: HopPackets, every_s: float) -> Drawing:
    place = np.minimum(((packets.sent_s % every_s) / every_s * BARS).astype(int), BARS - 1)
    all_of = np.maximum(np.bincount(place, minlength=BARS), 1)
    share = np.bincount(place, weights=bad_of(packets).astype(float), minlength=BARS) / all_of
    return Drawing(
        title=f"Late or lost packets by their place in a cycle of {every_s:.0f} s",
        x_words="seconds into the cycle",
        y_words="%",
        x=tuple(round((i + 0.5) * every_s / BARS, 2) for i in range(BARS)),
        y=tuple(round(100 * float(v), 1) for v in share),
    )


def over_time(seen: Seen, packets: HopPackets) -> Drawing:
    """Added latency over time, or packet loss where little is answered or more is lost than late; beside it
    the channel's busy time where it was read."""
    step = max(packets.seconds / BARS, 1.0)
    place = np.minimum((packets.sent_s / step).astype(int), BARS - 1)
    lost = np.bincount(place, weights=packets.lost.astype(float), minlength=BARS)
    loss = lost / np.maximum(np.bincount(place, minlength=BARS), 1)
    # The latency of the few that came is no picture of an outage.
    loses = float(loss.max()) > LOST_SHOWN or (seen.shape is not None and seen.shape.lost > seen.shape.late)
    y = []
    for i in range(BARS):
        mine = packets.excess_s[(place == i) & ~packets.lost]
        y.append(round(1e3 * float(np.quantile(mine, 0.9)), 1) if mine.size else 0.0)
    busy = [(f.at_ns, f.radio_busy_share) for f in seen.facts if f.radio_busy_share is not None]
    beside: tuple[float, ...] = ()
    x = tuple(round((i + 0.5) * step, 1) for i in range(BARS))
    if len(busy) >= 3:
        at = [(a - packets.start_ns) * 1e-9 for a, _ in busy]
        beside = tuple(round(100 * float(v), 1) for v in np.interp(x, at, [b for _, b in busy]))
    return Drawing(
        title="Packet loss over time" if loses else "Added latency over time (one packet in ten took longer)",
        x_words="time of day",
        y_words="%" if loses else "ms",
        x=x,
        start_ns=packets.start_ns,
        y=tuple(round(100 * float(v), 1) for v in loss) if loses else tuple(y),
        beside=beside,
        beside_words="channel busy, %" if beside else "",
    )
