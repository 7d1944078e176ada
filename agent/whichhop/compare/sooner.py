"""What the seconds say before the ticks do: when a verdict was first known, and outages too short for a tick.

The ticks judge what goes on; the seconds at its beginning are looked at once more for what is strong. They
name nobody whom the ticks then clear: such a word is withdrawn, live as over a history.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.screening import MARGIN, rolling
from whichhop.compare.inference.segment import columns_heard
from whichhop.compare.inference.strong import StrongSpan, second_evidence, strong_spans
from whichhop.compare.suspects.elements import Element
from whichhop.compare.verdict.episodes import Span
from whichhop.compare.verdict.verdict import FoundEpisode
from whichhop.compare.windows.seconds import PATIENCE_NS, Seconds
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Verdict
from whichhop.model.units import NS_PER_S

BEFORE, AFTER = 2, 4
"""Ticks that are looked at by the second before and after the one in which something strong begins: what has
not been known after four is for the ticks."""
MOST_LOOKS = 200
"""Beginnings looked at over one history, the newest: each reads a minute of every session again."""
NEAR_NS = 20 * NS_PER_S
"""A word of the seconds is about the same as an episode of the ticks that begins so near."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Soon:
    """A strong excess in the seconds, in UTC nanoseconds; known_ns: when enough was in hand."""

    span: StrongSpan
    start_ns: int
    end_ns: int
    known_ns: int


def beginnings(done: Scan, onset: NDArray[np.float64], found: Sequence[FoundEpisode]) -> list[int]:
    """The ticks in which something strong begins: those of episodes, and what one or two ticks show alone."""
    net = (done.ratios - done.quiet[:, None]).astype(np.float64)
    need = -np.log(onset) - MARGIN
    strong = (net > need).any(axis=1) | (rolling(net, 2) > need).any(axis=1)
    rises = np.flatnonzero(strong & ~np.concatenate([[False], strong[:-1]])).tolist()
    return sorted({*rises, *(f.span.first for f in found)})


def with_seconds(
    done: Scan,
    elements: Sequence[Element],
    onset: NDArray[np.float64],
    found: Sequence[FoundEpisode],
    verdict_of: Callable[[FoundEpisode], Verdict],
) -> list[Verdict]:
    """The verdicts of these episodes, known as soon as their seconds told it, and outages between the ticks.

    onset: chance per tick of each element's fault. As it is where the table has no seconds.
    """
    out = [verdict_of(f) for f in found]
    if done.table.seconds is None:
        return out
    for at in beginnings(done, onset, found)[-MOST_LOOKS:]:
        begun = [i for i, f in enumerate(found) if f.span.first <= at + AFTER and f.span.end > at - BEFORE]
        before = [found[i] for i in begun if found[i].span.first < at]
        for soon in look(done, elements, onset, at, before):
            about = [i for i in begun if _same(soon, found[i], done.table)]
            for i in about:
                known_ns = out[i].detected_ns
                if known_ns is None or soon.known_ns < known_ns:
                    out[i] = replace(out[i], detected_ns=soon.known_ns)
            if not about and soon.span.outage and not any(_beside(soon, v) for v in out):
                out.append(_short(soon, verdict_of, done.table))
    return sorted(out, key=lambda v: v.start_ns)


def look(
    done: Scan,
    elements: Sequence[Element],
    onset: NDArray[np.float64],
    at: int,
    before: Sequence[FoundEpisode] = (),
) -> list[Soon]:
    """What the seconds around the tick `at` show.

    before: what goes on already; its sessions say nothing of anything else by the second.
    """
    table = done.table
    first, end = max(0, at - BEFORE), min(table.ticks, at + AFTER)
    if table.seconds is None:
        return []
    seconds = table.seconds(table.at_ns(first), table.at_ns(end)).picked(table.sessions)
    tick = (seconds.start_ns + np.arange(seconds.count) * NS_PER_S - table.start_ns) // table.step_ns
    speaks = done.alibi.speaks[np.clip(tick, 0, table.ticks - 1)].copy()
    for one in before:
        speaks[:, sorted(elements[one.members[0]].column)] = False
    block = done.block_of(first)
    return soon_of(seconds, speaks, done, block, elements, onset)


def soon_of(
    seconds: Seconds,
    speaks: NDArray[np.bool_],
    done: Scan,
    block: int,
    elements: Sequence[Element],
    onset: NDArray[np.float64],
) -> list[Soon]:
    """Every strong excess in some seconds, judged against the baseline of one block."""
    evidence = second_evidence(seconds, speaks, done.baselines[block], done.columns, done.settings)
    heard = frozenset(np.flatnonzero((speaks & (seconds.sent > 0)).any(axis=0)).tolist())
    spans = strong_spans(
        evidence,
        done.columns,
        columns_heard(elements, heard),
        onset,
        done.rates[block],
        done.settings.mean_fault_s,
    )
    return [
        Soon(
            span=s,
            start_ns=seconds.at_ns(s.first),
            end_ns=seconds.at_ns(s.end),
            known_ns=seconds.at_ns(s.detected + 1) + PATIENCE_NS,
        )
        for s in spans
    ]


def _same(soon: Soon, found: FoundEpisode, table: WindowTable) -> bool:
    """Whether the seconds named what the ticks then bear out: their likeliest, or the whole group and
    more, and at that time."""
    start_ns, end_ns = table.at_ns(found.span.first), table.at_ns(found.span.end)
    near = start_ns - NEAR_NS < soon.start_ns < min(end_ns, start_ns + NEAR_NS)
    named = frozenset(soon.span.members)
    return near and (soon.span.members[0] in found.members or named >= frozenset(found.members))


def _beside(soon: Soon, verdict: Verdict) -> bool:
    """Whether the ticks have a word of their own for that time."""
    end_ns = verdict.end_ns
    return verdict.start_ns < soon.end_ns + NEAR_NS and (end_ns is None or end_ns > soon.start_ns - NEAR_NS)


def _short(soon: Soon, verdict_of: Callable[[FoundEpisode], Verdict], table: WindowTable) -> Verdict:
    """The verdict of an outage that fills no tick."""
    first = (soon.start_ns - table.start_ns) // table.step_ns
    end = min(table.ticks, -((table.start_ns - soon.end_ns) // table.step_ns))
    lasting = soon.span.lasting and end >= table.ticks
    made = verdict_of(
        FoundEpisode(
            members=soon.span.members,
            shares=soon.span.shares,
            span=Span(first=first, end=max(end, first + 1), detected=first),
            probability=soon.span.probability,
            lasting=lasting,
        )
    )
    return replace(
        made,
        start_ns=soon.start_ns,
        end_ns=None if lasting else soon.end_ns,
        detected_ns=soon.known_ns,
    )
