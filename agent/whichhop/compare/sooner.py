"""What the seconds say before the ticks do: when a verdict was first known, and outages too short for a tick.

The ticks judge what goes on; the seconds at its beginning are looked at once more for what is strong. They
name nobody whom the ticks then clear: such a word is withdrawn, live as over a history.
"""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.screening import few_at_once, rolling
from whichhop.compare.inference.segment import columns_heard
from whichhop.compare.inference.strong import StrongSpan, second_evidence, strong_spans
from whichhop.compare.suspects.elements import Element
from whichhop.compare.verdict.episodes import Span
from whichhop.compare.verdict.provider_guards import Scene
from whichhop.compare.verdict.verdict import FoundEpisode, verdict_of
from whichhop.compare.windows.reporting import boxes_of
from whichhop.compare.windows.seconds import PATIENCE_NS, Seconds
from whichhop.compare.windows.table import WindowTable, empty_table
from whichhop.model import Session, Verdict
from whichhop.model.units import NS_PER_S

BEFORE, AFTER = 2, 4
"""Ticks that are looked at by the second before and after the one in which something strong begins: what has
not been known after four is for the ticks."""
LATELY_S = 8
"""Of an agent that works something was heard in the last eight seconds: a lost packet's fate is said after
five, and a beat later."""
MOST_LOOKS = 200
"""Beginnings looked at over one history, the newest: each reads a minute of every session again."""
NEAR_NS = 20 * NS_PER_S
"""A word of the seconds is about the same as an episode of the ticks that begins so near."""


class Soon(Struct, frozen=True, kw_only=True):
    """A strong excess, its seconds and who could speak in them; block: whose baseline judged it.

    known_ns: when enough was in hand, UTC nanoseconds.
    """

    span: StrongSpan
    seconds: Seconds
    speaks: NDArray[np.bool_]
    block: int
    known_ns: int

    @property
    def start_ns(self) -> int:
        """Where it begins."""
        return self.seconds.start_ns

    @property
    def end_ns(self) -> int:
        """Where it ends, or the last second that was looked at."""
        return self.seconds.at_ns(self.seconds.count)


def beginnings(done: Scan, onset: NDArray[np.float64], found: Sequence[FoundEpisode]) -> list[int]:
    """The ticks in which something strong begins: those of episodes, and what one or two ticks show alone."""
    strong = np.zeros(len(done.quiet), dtype=bool)
    for net, need in few_at_once(done.ratios, done.quiet, onset):
        strong |= (net > need).any(axis=1) | (rolling(net, 2) > need).any(axis=1)
    rises = np.flatnonzero(np.diff(strong.astype(np.int8), prepend=0) > 0).tolist()
    return sorted({*rises, *(f.span.first for f in found)})


def with_seconds(
    done: Scan,
    bare: Scene,
    onset: NDArray[np.float64],
    found: Sequence[FoundEpisode],
    said: Sequence[Verdict],
    *,
    newest: bool,
    since: int = 0,
) -> list[Verdict]:
    """The verdicts of these episodes, known as soon as their seconds told it, and outages between the ticks.

    bare: what a scene of any time has, its arrays not yet filled. onset: chance per tick of each element's
    fault. said: a verdict of each episode; as it is where the table has no seconds. newest: also what goes on
    in the last seconds of all and the ticks cannot yet say; a follower hears it from its own newer seconds.
    since: what began before this tick is not looked at.
    """
    out = list(said)
    if done.table.seconds is None:
        return out
    for at in [t for t in beginnings(done, onset, found) if t >= since][-MOST_LOOKS:]:
        begun = [i for i, f in enumerate(found) if f.span.first <= at + AFTER and f.span.end > at - BEFORE]
        before = [found[i] for i in begun if found[i].span.first < at]
        mute = frozenset[int]().union(*(bare.elements[f.members[0]].column for f in before))
        for soon in _look(done, bare.elements, onset, at, mute):
            about = [i for i in begun if _same(soon, found[i], done.table)]
            for i in about:
                known_ns = out[i].detected_ns
                if known_ns is None or soon.known_ns < known_ns:
                    out[i] = replace(out[i], detected_ns=soon.known_ns)
            goes_on = newest and soon.span.lasting and at + AFTER >= done.table.ticks
            if not about and (soon.span.outage or goes_on) and not any(_beside(soon, v) for v in out):
                out.append(soon_verdict(soon, bare, done))
    return sorted(out, key=lambda v: v.start_ns)


def _look(
    done: Scan, elements: Sequence[Element], onset: NDArray[np.float64], at: int, mute: frozenset[int]
) -> tuple[Soon, ...]:
    """What the seconds around the tick `at` show; kept once they are all there.

    mute: sessions that say nothing by the second, since something else goes on with them already.
    """
    table = done.table
    key = (table.at_ns(at), mute)
    if key in done.looked:
        return done.looked[key]
    first, end = max(0, at - BEFORE), min(table.ticks, at + AFTER)
    if table.seconds is None:
        return ()
    seconds = table.seconds(table.at_ns(first), table.at_ns(end)).picked(table.sessions)
    tick = (seconds.start_ns + np.arange(seconds.count) * NS_PER_S - table.start_ns) // table.step_ns
    speaks = done.speaks[np.clip(tick, 0, table.ticks - 1)].copy()
    speaks[:, sorted(mute)] = False
    found = soon_of(seconds, speaks, done, block=done.block_of(first), elements=elements, onset=onset)
    if at + AFTER < table.ticks:
        done.looked[key] = found
    return found


def heard_by_second(seconds: Seconds, sessions: Sequence[Session]) -> NDArray[np.bool_]:
    """Where a session may speak before the ticks have said so, (seconds, sessions).

    An agent of which nothing was heard lately may sleep: what is asked of it tells of nothing else then. A
    box that forwards does not sleep, as in the ticks' reporting.
    """
    speaks = seconds.sent > 0
    lately = {s.key.agent for i, s in enumerate(sessions) if seconds.sent[-LATELY_S:, i].any()}
    asleep = {s.key.agent for s in sessions} - lately - boxes_of(sessions)
    gone = [i for i, s in enumerate(sessions) if {s.key.agent, s.key.target} & asleep]
    speaks[:, gone] = False
    return speaks


def soon_of(
    seconds: Seconds,
    speaks: NDArray[np.bool_],
    done: Scan,
    *,
    block: int,
    elements: Sequence[Element],
    onset: NDArray[np.float64],
) -> tuple[Soon, ...]:
    """Every strong excess in some seconds, judged against the baseline of one block; in order of time."""
    evidence = second_evidence(seconds, speaks, done.baselines[block], done.columns, done.settings)
    heard = frozenset(np.flatnonzero((speaks & (seconds.sent > 0)).any(axis=0)).tolist())
    spans = strong_spans(
        evidence,
        done.columns,
        columns_heard(elements, heard),
        onset=onset,
        blip=done.rates[block],
        fault_s=done.settings.mean_fault_s,
    )
    return tuple(
        Soon(
            span=s,
            seconds=seconds(seconds.at_ns(s.first), seconds.at_ns(s.end)),
            speaks=speaks[s.first : s.end],
            block=block,
            known_ns=seconds.at_ns(s.detected + 1) + PATIENCE_NS,
        )
        for s in spans
    )


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


def soon_verdict(soon: Soon, bare: Scene, done: Scan) -> Verdict:
    """The verdict by the seconds alone, its figures those of the seconds.

    Counters are read once in some ticks, so that own traffic is not known by the second.
    """
    seconds, base = soon.seconds, done.baselines[soon.block]
    table = empty_table(seconds.sessions, seconds.start_ns, seconds.count, NS_PER_S)
    table.sent[:], table.lost[:] = seconds.sent, seconds.silent
    table.q50_s[:] = table.q80_s[:] = seconds.rtt_s
    scene = replace(
        bare,
        table=table,
        speaks=soon.speaks,
        loc50=base.loc50,
        scale50=base.scale50,
        loc80=base.loc80,
        base_loss=base.loss,
        use=np.full(seconds.count, np.nan),
    )
    found = FoundEpisode(
        members=soon.span.members,
        shares=soon.span.shares,
        span=Span(first=0, end=seconds.count, detected=soon.span.detected - soon.span.first),
        probability=soon.span.probability,
        lasting=soon.span.lasting,
    )
    return verdict_of(
        scene, found, done.settings, at_ns=soon.start_ns, end_ns=soon.end_ns, detected_ns=soon.known_ns
    )
