"""The shape of what a hop did to its packets: how often, how long, how regular, on which of them. Pure."""

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.windows.table import SLOW_S
from whichhop.inside.packets import HopPackets
from whichhop.inside.rhythm import CHANCE, Mains, Period, mains_of, pauses_of, period_of, together

Floats = NDArray[np.float64]

SPIKE_S = 0.012
"""An answer this much over its session's quiet one is late: twice what contention with a few stations costs
(common practice), and well under a wait for a beacon (102.4 ms, IEEE 802.11)."""
IDLE_S, BUSY_S = 0.15, 0.06
"""A radio may doze once nothing came for so long; after less it is still awake (common practice)."""
AGAIN = CHANCE + 1.5
"""Two more looks for a rhythm have more chances to find one where there is none."""
LEAST_EACH = 30
APART_S = 15.0
"""Nothing sent for so long: what lies on either side are two stretches."""
OUT_S = 2.0
"""A silence this long of all sessions is an outage and no burst."""


class Shape(Struct, frozen=True, kw_only=True):
    """What the packets of an episode look like; shares are of packets, 0 to 1; None where too few tell.

    late: of the answered, those SPIKE_S and more over the session's quiet round trip. lost: of those sent.
    added_p50_s, added_p90_s: of the answered. bad_seconds: share of seconds in which any packet was bad.
    runs_s: mean length of the stretches of bad seconds. clumped: how much likelier a session's packet is bad
    when the one before was, as a correlation; 0 for chance. idle_late, awake_late: share late among those
    that came after a pause, and those right behind another. outages, outage_s: silences of all sessions and
    the median length. there_share: of the added delay that has a direction, the part on the way out, which
    is toward the session's target. cap_s: under which 98 % of the late ones lie.
    """

    seconds: float
    packets: int
    late: float
    lost: float
    added_p50_s: float
    added_p90_s: float
    cap_s: float
    bad_seconds: float
    runs_s: float
    clumped: float
    idle_late: float | None
    awake_late: float | None
    outages: int
    outage_s: float
    silent_share: float
    there_share: float | None
    period: Period | None
    mains: Mains | None


def bad_of(packets: HopPackets) -> NDArray[np.bool_]:
    """Which packets were late or lost."""
    return packets.lost | (np.nan_to_num(packets.excess_s) > SPIKE_S)


def shape_of(episode: HopPackets, context: HopPackets) -> Shape | None:
    """The shape of an episode; its rhythm is sought in the longer `context`. None for under LEAST_EACH."""
    if episode.sent_s.size < LEAST_EACH:
        return None
    bad = bad_of(episode)
    answered = episode.excess_s[~episode.lost]
    late = answered > SPIKE_S
    second = episode.sent_s.astype(np.int64)
    bad_seconds = np.unique(second[bad])
    all_seconds = np.unique(second)
    outages = _outages(episode)
    idle, awake = _after_a_pause(episode, bad)
    wide_bad = bad_of(context)
    return Shape(
        seconds=episode.seconds,
        packets=int(episode.sent_s.size),
        late=float(late.mean()) if late.size else 0.0,
        lost=float(episode.lost.mean()),
        added_p50_s=float(np.median(answered)) if answered.size else 0.0,
        added_p90_s=float(np.quantile(answered, 0.9)) if answered.size else 0.0,
        cap_s=float(np.quantile(answered[late], 0.98)) if late.any() else 0.0,
        bad_seconds=bad_seconds.size / max(1, all_seconds.size),
        runs_s=_runs(bad_seconds),
        clumped=_clumped(bad, episode.session),
        idle_late=idle,
        awake_late=awake,
        outages=len(outages),
        outage_s=float(np.median(outages)) if outages else 0.0,
        silent_share=float(sum(outages)) / max(1.0, episode.seconds),
        there_share=_there(episode),
        period=period_of(context.sent_s[wide_bad], context.seconds) or _among_strays(context),
        mains=mains_of(episode.sent_s, bad, episode.session),
    )


def _among_strays(packets: HopPackets) -> Period | None:
    """The rhythm of the slow and the lost alone, where what is a little late too hides it or wanders."""
    slow = packets.sent_s[packets.lost | (np.nan_to_num(packets.excess_s) > SLOW_S)]
    return (
        period_of(slow, packets.seconds, chance=AGAIN)
        or pauses_of(slow, AGAIN)
        or period_of(together(slow), packets.seconds, chance=AGAIN)
    )


def _runs(bad_seconds: NDArray[np.int64]) -> float:
    if not bad_seconds.size:
        return 0.0
    return float(bad_seconds.size / (1 + np.count_nonzero(np.diff(bad_seconds) > 1)))


def _clumped(bad: NDArray[np.bool_], session: NDArray[np.int16]) -> float:
    found = []
    for one in np.unique(session):
        mine = bad[session == one].astype(float)
        if mine.size >= LEAST_EACH and 0.0 < mine.mean() < 1.0:
            centred = mine - mine.mean()
            found.append(float((centred[1:] * centred[:-1]).sum() / (centred**2).sum()))
    return float(np.mean(found)) if found else 0.0


def _outages(packets: HopPackets) -> list[float]:
    """Lengths of the silences of all sessions, OUT_S and longer: no answer to anything that was sent then."""
    if not packets.lost.size:
        return []
    apart = np.diff(packets.sent_s) > APART_S
    edges = np.flatnonzero((np.diff(packets.lost.astype(np.int8)) != 0) | apart)
    starts = np.concatenate([[0], edges + 1])
    ends = np.concatenate([edges, [packets.lost.size - 1]])
    out = []
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        length = float(packets.sent_s[end] - packets.sent_s[start])
        if packets.lost[start] and length >= OUT_S - 1.0 and end - start >= 2:
            out.append(length + 0.5)
    return [length for length in out if length >= OUT_S]


def _after_a_pause(packets: HopPackets, bad: NDArray[np.bool_]) -> tuple[float | None, float | None]:
    gap = np.diff(packets.sent_s, prepend=packets.sent_s[0] - 1.0)
    told = ~packets.lost
    idle, awake = told & (gap > IDLE_S), told & (gap < BUSY_S)

    def share(which: NDArray[np.bool_]) -> float | None:
        return float(bad[which].mean()) if np.count_nonzero(which) >= LEAST_EACH else None

    return share(idle), share(awake)


def _there(packets: HopPackets) -> float | None:
    """The part of the late packets' delay that lies on the way out."""
    which = np.isfinite(packets.there_s) & (packets.excess_s > SPIKE_S)
    if np.count_nonzero(which) < LEAST_EACH:
        return None
    there = np.clip(packets.there_s[which], 0.0, packets.excess_s[which])
    return float(there.sum() / packets.excess_s[which].sum())


class Hours(Struct, frozen=True, kw_only=True):
    """How bad each hour of the day was over days: the mean added delay in seconds and loss, NaN not measured.

    busy_ratio: how much worse the worst five hours in a row are than the rest. days: how many were seen.
    peak_hour: the middle of those hours, by the home's clock.
    """

    added_s: tuple[float, ...]
    lost: tuple[float, ...]
    days: float
    busy_ratio: float | None
    peak_hour: float | None


def hours_of(hour: Floats, added_s: Floats, lost: Floats) -> Hours:
    """By hour of the day, from slices of time: the hour each lies at (0 to 24), added delay and loss."""
    place = np.floor(hour).astype(int) % 24
    known = np.isfinite(added_s)
    added = [
        float(np.mean(added_s[(place == h) & known])) if ((place == h) & known).any() else np.nan
        for h in range(24)
    ]
    loss = [float(np.mean(lost[place == h])) if (place == h).any() else np.nan for h in range(24)]
    cost = np.array(added) + 0.2 * np.array(loss)
    ratio = peak = None
    if np.isfinite(cost).sum() >= 18:
        filled = np.where(np.isfinite(cost), cost, np.nanmedian(cost))
        sums = [filled[(np.arange(5) + h) % 24].mean() for h in range(24)]
        at = int(np.argmax(sums))
        rest = np.delete(filled, (np.arange(5) + at) % 24)
        ratio = float(sums[at] / max(float(np.mean(rest)), 5e-4))
        peak = float((at + 2.5) % 24)
    return Hours(
        added_s=tuple(added),
        lost=tuple(loss),
        days=hour.size * 10 / 86_400,
        busy_ratio=ratio,
        peak_hour=peak,
    )
