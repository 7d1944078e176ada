"""A session's published loss figures: in all and by way, in bursts, out of order, doubled, set aside."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from msgspec.structs import replace

from whichhop.model.record import Record
from whichhop.model.sample import Fate
from whichhop.stats import loss_pattern
from whichhop.stats.loss import LossCount
from whichhop.stats.measure import WILSON, Measure, Row
from whichhop.stats.proportion import wilson
from whichhop.stats.quantile import Floats

NUMBERS = "by sequence numbers, no clock needed"
PAUSE_GAPS = 10
"""A pause of so many usual gaps ends a run of packets: losses on its two sides are no burst together."""


def losses(count: LossCount, *, two_ways: bool, waiting_s: float) -> Iterator[Measure]:
    """Loss in all and, from a far end with numbers of its own, on each way (RFC 8762 4.3)."""
    row = Row(
        group="loss",
        name="loss",
        words="lost of those sent",
        definition="RFC 7680 4.1",
        how=f"{NUMBERS}; lost after {waiting_s:g} s",
    )
    yield row.ratio(count.lost, count.sent)
    yield _lost_one_way("out", count.lost_out, count.sent, count.unknown, two_ways)
    yield _lost_one_way("back", count.lost_back, count.sent - count.lost_out, count.unknown, two_ways)
    late = replace(
        row,
        name="late",
        words="answered too late, among the lost",
        how=f"an answer came after {waiting_s:g} s",
    )
    yield late.figure("packets", float(count.late), count=count.sent)


def _lost_one_way(way: str, lost: int, sent: int, unknown: int, two_ways: bool) -> Measure:
    row = Row(
        group="loss",
        name=f"loss-{way}",
        words=f"lost on the way {way}",
        definition="RFC 7680, RFC 8762 4.3",
        how="the far end's own numbers against ours",
    )
    if not sent or not two_ways:
        why = "the far end keeps no numbers of its own to tell by" if sent else "no packet went that way"
        return row.figure("ratio", None, count=sent, otherwise=why)
    if not unknown:
        return row.ratio(lost, sent)
    # Any of those without a known way may have been lost on this one.
    return row.figure(
        "ratio",
        None,
        count=sent,
        ends=(wilson(lost, sent).low, wilson(min(lost + unknown, sent), sent).high),
        interval=f"{WILSON}, either way allowed for the rest",
        otherwise=f"{lost} for certain; which way {unknown} more were lost is not known",
    )


def runs(sent_ns: Floats, lost: Sequence[bool]) -> list[list[bool]]:
    """The stream cut at pauses, so that what a call or a restart separates is not taken for neighbours."""
    if not len(sent_ns):
        return []
    gaps = np.diff(sent_ns)
    usual = float(np.median(gaps)) if len(gaps) else 0.0
    cuts = [0, *(np.flatnonzero(gaps > PAUSE_GAPS * usual) + 1).tolist(), len(lost)]
    return [list(lost[a:b]) for a, b in pairwise(cuts)]


def _pooled(stream: Sequence[Sequence[bool]]) -> loss_pattern.BurstsAndGaps:
    """Bursts and gaps of several runs, each judged by itself; positions are within their run."""
    found = [loss_pattern.bursts_and_gaps(run) for run in stream]
    return loss_pattern.BurstsAndGaps(
        packets=sum(f.packets for f in found),
        gmin=loss_pattern.DEFAULT_GMIN,
        bursts=tuple(b for f in found for b in f.bursts),
        isolated=tuple(i for f in found for i in f.isolated),
        gaps=tuple(g for f in found for g in f.gaps),
    )


def bursts(sent_ns: Floats, lost: Sequence[bool]) -> Iterator[Measure]:
    """How the losses cluster; packets in order sent, those set aside left out."""
    stream = runs(sent_ns, lost)
    gaps = np.diff(sent_ns)
    gap_s = float(np.median(gaps)) / 1e9 if len(gaps) else 0.0
    found = _pooled(stream)
    row = Row(
        group="bursts",
        name="burst-count",
        words="bursts",
        definition="RFC 3611 4.7.2",
        how=f"{NUMBERS}; gmin {found.gmin}, a packet each {gap_s:.3g} s",
    )
    yield row.figure("count", float(len(found.bursts)), count=found.packets)
    inside, mean = sum(b.packets for b in found.bursts), found.mean_burst_packets
    for name, words, unit, value, count in (
        ("burst-density", "lost inside bursts", "ratio", found.burst_density, inside),
        ("burst-length", "mean length of a burst", "s", None if mean is None else mean * gap_s, inside),
        ("gap-density", "lost outside bursts", "ratio", found.gap_density, sum(found.gaps)),
    ):
        told = replace(row, name=name, words=words)
        none = "no packet lies outside a burst" if name == "gap-density" else "there was no burst"
        yield told.figure(unit, value, count=count, otherwise=none)
    yield from _periods(stream, row)
    yield from _chain(stream, row)


def _periods(stream: Sequence[Sequence[bool]], like: Row) -> Iterator[Measure]:
    lengths = [n for run in stream for n in loss_pattern.period_lengths(run)]
    row = replace(like, name="loss-periods", words="runs of losses", definition="RFC 3357 5.4.2, 6.3")
    packets = sum(map(len, stream))
    yield row.figure("count", float(len(lengths)), count=packets)
    longest = replace(row, name="loss-period-longest", words="longest run of losses")
    value = float(max(lengths)) if lengths else None
    yield longest.figure("packets", value, count=packets, otherwise="nothing was lost")


def _chain(stream: Sequence[Sequence[bool]], like: Row) -> Iterator[Measure]:
    steps = [loss_pattern.transitions(run) for run in stream]
    n00, n01, n10, n11 = (sum(getattr(t, n) for t in steps) for n in ("n00", "n01", "n10", "n11"))
    row = replace(
        like,
        name="chain-p",
        words="chance to begin losing after one that arrived",
        definition="two-state chain (Gilbert 1960)",
    )
    yield row.ratio(n01, n00 + n01, "no packet followed one that arrived")
    back = replace(row, name="chain-r", words="chance to stop losing after one that was lost")
    yield back.ratio(n10, n10 + n11, "no packet followed one that was lost")


def order(records: Sequence[Record], count: LossCount) -> Iterator[Measure]:
    """Answers out of order and doubled, over the whole round trip."""
    answered = count.answered + count.late
    for name, words, hits, definition in (
        ("reordered", "came after a later one", sum(r.reordered for r in records), "RFC 4737 4.1"),
        ("duplicated", "came more than once", sum(r.duplicates for r in records), "RFC 5560 (from memory)"),
    ):
        row = Row(
            group="order",
            name=name,
            words=words,
            definition=definition,
            how=f"{NUMBERS}; over the round trip, counted: {hits}",
        )
        # A record's counts are of its minute's time: one or two may belong to a packet of the minute before.
        yield row.ratio(min(hits, answered), answered, "no packet was answered")


REASONS = {
    Fate.NOT_SENT: "refused by the agent's own system",
    Fate.ASLEEP: "under way while the agent's machine slept",
    Fate.CLOCK_STEP: "under way while a clock stepped",
    Fate.BUSY: "under way while the agent's machine was starved",
    Fate.REFUSED_KEY: "refused by the target, which has another key",
    Fate.REFUSED_ADDRESS: "refused by the target, to which the agent's address is unknown",
    Fate.REFUSED: "refused by the target for another reason",
}


def set_aside(fates: Sequence[int]) -> Iterator[Measure]:
    """Packets that say nothing of the path, by reason; fates: the records' column, none left out."""
    for fate, words in REASONS.items():
        row = Row(
            group="not judged",
            name=f"aside-{fate.name.lower().replace('_', '-')}",
            words=words,
            definition="neither sent nor lost (this project's rule)",
            how="the agent's own watch of its clocks, processor and send calls",
        )
        yield row.figure("packets", float(sum(1 for f in fates if f == fate)), count=len(fates))
