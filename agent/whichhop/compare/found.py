"""From close looks to the episodes that are told: merged, parted where one cause is two, with their odds."""

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.case import Case, use_known
from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.segment import Close, Group
from whichhop.compare.standing.columns import ON_RADIO
from whichhop.compare.standing.usual import HARM_LOG_SD, USUAL, Feature, kind_of
from whichhop.compare.suspects.elements import HOME_SIDE, Nature
from whichhop.compare.suspects.priors import PRIORS
from whichhop.compare.verdict import steps
from whichhop.compare.verdict.alone import touched
from whichhop.compare.verdict.episodes import (
    Span,
    bridged,
    heard_in,
    joined,
    merged,
    noticed,
    spans,
    states,
)
from whichhop.compare.verdict.members import reweighted, shape_odds
from whichhop.compare.verdict.verdict import FoundEpisode
from whichhop.model.finding import WHOLE_OUTAGE

LEAST_TICK = -3.0
"""A tick in which an episode rests costs its gain no more than this."""

LEAST_SENT = 5
"""Of fewer packets in a tick no share is known, nor that all are lost."""

Part = tuple[Close, Group, Span]
"""A close look, one of its groups, and an episode of that."""


def found_episodes(case: Case, done: Scan, looks: Sequence[Close]) -> Iterator[FoundEpisode]:
    """The episodes of every group of these looks."""
    by_group: dict[tuple[int, ...], list[Part]] = {}
    for close in looks:
        for group in close.groups:
            for span in _spans(case, close, group):
                by_group.setdefault(group.members, []).append((close, group, span))
    every = [(part[1].members[0], part[2]) for parts in by_group.values() for part in parts if part[2].sure]
    for parts in by_group.values():
        own = _Own(case, done, parts[0][1].members, every)
        pieces = list(_pieces(own, parts, _episodes(own, parts)))
        ends = {span.end for span, _ in pieces}
        for span, inside in pieces:
            yield replace(_found(own, inside, span), parted=span.first in ends)


class _Own:
    """What the sessions of one group show, without what another fault of some of them adds."""

    def __init__(
        self, case: Case, done: Scan, members: Sequence[int], every: Sequence[tuple[int, Span]]
    ) -> None:
        """every: who else is found to be at fault, and when."""
        self.case, self.members = case, members
        self._done, self._columns = done, sorted(case.elements[members[0]].column)
        column = _column(case, members)
        self.heard = heard_in(case.reporting.speaks[:, column], case.settings, case.table.step_ns * 1e-9)
        self._others = [(j, span) for j, span in every if j not in members]

    def may_be_traffic(self, span: Span) -> bool:
        """Whether the home's own traffic, uncounted, may be some of what an episode shows."""
        own = any(self.case.elements[j].nature is Nature.OWN_TRAFFIC for j in self.members)
        return own and not use_known(self.case, span)

    def excess(self, span: Span) -> NDArray[np.float64]:
        """Per tick the sessions' median above their baseline in seconds, NaN where none answered."""
        done, columns, ticks = self._done, self._columns, slice(span.first, span.end)
        over = done.table.q50_s[ticks][:, columns] - done.baselines[done.block_of(span.first)].loc50[columns]
        over = np.where(self._speaks(span), over, np.nan).astype(np.float64)
        out = np.full(over.shape[0], np.nan)
        some = np.isfinite(over).any(axis=1)
        out[some] = np.nanmedian(over[some], axis=1)
        return out

    def lost(self, span: Span) -> NDArray[np.float64]:
        """Per tick the share of the sessions' packets that were lost, NaN where too few were sent."""
        ticks = slice(span.first, span.end)
        speaks = self._speaks(span)
        sent, lost = (
            np.where(speaks, part[ticks][:, self._columns], 0).sum(axis=1, dtype=np.int64)
            for part in (self._done.table.sent, self._done.table.lost)
        )
        return np.where(sent >= LEAST_SENT, lost / np.maximum(sent, 1), np.nan)

    def _speaks(self, span: Span) -> NDArray[np.bool_]:
        """Who of the sessions speaks in which tick of a span and is touched by no other fault."""
        speaks, elements = self._done.speaks[span.first : span.end], self.case.elements
        of = ((elements[j].column, (other.first, other.end)) for j, other in self._others)
        return np.asarray((speaks & ~touched(span, of, speaks.shape[1]))[:, self._columns])


def _column(case: Case, members: Sequence[int]) -> list[int]:
    """The sessions that cross any member of a group."""
    return sorted(frozenset[int]().union(*(case.elements[j].column for j in members)))


def _episodes(own: _Own, parts: Sequence[Part]) -> list[Span]:
    """The spans of one group merged; not those of two levels where one may be the home's own traffic."""
    case = own.case
    gap = case.settings.merge_gap_s / (case.table.step_ns * 1e-9)

    def alike(one: Span, other: Span) -> bool:
        if not (own.may_be_traffic(one) or own.may_be_traffic(other)):
            return True
        return steps.alike(own.excess(one), own.excess(other))

    whole = merged([span for _, _, span in parts], gap, alike, own.heard)
    # Each outage of a line is one to a provider; within the home one trouble comes and goes.
    at_home = all(case.elements[j].nature in HOME_SIDE for j in own.members)
    return [span for span in (states(whole, gap) if at_home else whole) if span.sure]


def _pieces(own: _Own, parts: Sequence[Part], whole: Sequence[Span]) -> Iterator[tuple[Span, list[Part]]]:
    """Episodes with the looks that they are of; cut where all is lost and was not before, and where the delay
    steps, if own traffic is not counted."""
    settings = own.case.settings
    for entire in whole:
        inside = [p for p in parts if entire.first <= p[2].first < entire.end]
        span = _to_its_end(own, entire, inside)
        pieces = _cut(own, span)
        if pieces == [(entire.first, entire.end)]:
            yield span, inside
            continue
        for first, end in pieces:
            clipped = [
                (close, group, replace(part, first=max(part.first, first), end=min(part.end, end)))
                for close, group, part in inside
                if part.first < end and part.end > first
            ]
            if clipped:
                # A lull between two pieces is neither's.
                begin, stop = min(p[2].first for p in clipped), max(p[2].end for p in clipped)
                detected = max(begin + settings.open_ticks - 1, span.detected)
                yield Span(first=begin, end=stop, detected=min(detected, stop - 1)), clipped


def _to_its_end(own: _Own, span: Span, inside: Sequence[Part]) -> Span:
    """An episode that is over without the ticks behind the last that shows it: what comes and goes is thought
    to go on for a while."""
    if own.heard.goes_on(span.end, own.case.settings.close_ticks):
        return span
    last = span.first
    for close, group, part in inside:
        cut = slice(part.first - close.stretch.first, part.end - close.stretch.first)
        # What was not heard speaks neither way.
        shown = np.flatnonzero((group.gain[cut] > 0.0) | ~own.heard.ticks[part.first : part.end])
        if shown.size:
            last = max(last, part.first + int(shown[-1]))
    end = max(last + 1, span.detected + 1)
    return replace(span, end=min(end, span.end))


def _cut(own: _Own, span: Span) -> list[tuple[int, int]]:
    """First and end ticks of the pieces of an episode."""
    lost, may_be_traffic = own.lost(span), own.may_be_traffic(span)
    if not may_be_traffic and not (lost >= WHOLE_OUTAGE).any():
        return [(span.first, span.end)]
    over = own.excess(span)
    edges = [0, *steps.outages(lost, over), len(over)]
    out = []
    for begin, stop in pairwise(edges):
        part = over[begin:stop]
        cuts = [0, *(steps.cuts(part) if may_be_traffic else ()), len(part)]
        first = span.first + begin
        out += [(first + a, first + steps.without_lull(part, a, b)) for a, b in pairwise(cuts)]
    return out


def _spans(case: Case, close: Close, group: Group) -> list[Span]:
    """The group's episodes in one stretch, in whole-table ticks."""
    first, end = close.stretch.first, close.stretch.end
    column = _column(case, group.members)
    speaks = case.reporting.speaks[first:end][:, column]
    sent = np.where(speaks, case.table.sent[first:end][:, column], 0).sum(axis=1, dtype=np.int64)
    lost = np.where(speaks, case.table.lost[first:end][:, column], 0).sum(axis=1, dtype=np.int64)
    outage = (sent >= LEAST_SENT) & (lost == sent)
    found = spans(group.smooth, close.nothing, outage, case.settings)
    known = noticed(group.forward, group.soon, close.nothing_yet, outage, case.settings)
    out = []
    for span in found:
        # What live use would have known; where it would not have opened, the episode's end.
        live = np.flatnonzero(known[span.first : span.end])
        detected = span.first + int(live[0]) if live.size else span.end - 1
        out.append(replace(span, first=first + span.first, end=first + span.end, detected=first + detected))
    return out


def _found(own: _Own, parts: Sequence[Part], span: Span) -> FoundEpisode:
    """Probability over the episode: the mean over its better half, so that slow edges do not count."""
    case, members = own.case, own.members
    values, shares, delay, loss, gain = [], [], [], [], 0.0
    for close, group, part in parts:
        cut = slice(part.first - close.stretch.first, part.end - close.stretch.first)
        values.append(group.smooth[cut])
        shares.append(group.share[cut] * group.smooth[cut, None])
        delay.append(group.delay[cut])
        loss.append(group.loss[cut])
        gain += float(np.maximum(group.gain[cut], LEAST_TICK).sum())
    value = np.sort(np.concatenate(values))
    share = np.concatenate(shares).sum(axis=0)
    odds = shape_odds(np.concatenate(delay), np.concatenate(loss))
    share = reweighted(share, odds, [PRIORS[case.elements[j].nature] for j in members])
    order = np.argsort(-share, kind="stable")
    return FoundEpisode(
        members=tuple(members[i] for i in order),
        shares=tuple(float(share[i]) for i in order),
        span=span,
        gain=gain,
        probability=float(value[len(value) // 2 :].mean()),
        # An end is told once it has lasted as long as closes an episode.
        there=joined([(part.first, part.end) for _, _, part in parts]),
        lasting=own.heard.goes_on(span.end, case.settings.close_ticks),
    )


def gone_on(case: Case, found: Sequence[FoundEpisode]) -> list[FoundEpisode]:
    """Episodes in order of time, of which those of one radio are one where it was never well between them, or
    for a moment only: then it is one state of hours that is now worse, now better."""
    out: list[FoundEpisode] = []
    latest: dict[frozenset[int], int] = {}
    gap = case.settings.merge_gap_s / (case.table.step_ns * 1e-9)
    for one in sorted(found, key=lambda f: (f.span.first, f.members)):
        at = latest.get(frozenset(one.members))
        if at is not None and _goes_on(case, out[at], one, gap):
            out[at] = _as_one(out[at], one)
        else:
            latest[frozenset(one.members)] = len(out)
            out.append(one)
    return out


def _goes_on(case: Case, before: FoundEpisode, one: FoundEpisode, gap_ticks: float) -> bool:
    if kind_of(case.home, case.elements[one.members[0]]) not in ON_RADIO:
        return False
    first, end = before.span.end, one.span.first
    if one.parted and first == end:
        return False
    return end - first < bridged(before.span, gap_ticks) or _unwell(case, one.members, first, end)


def _as_one(one: FoundEpisode, other: FoundEpisode) -> FoundEpisode:
    """Two spells as one episode, as sure as the surer of them."""
    spells = [f.there or ((f.span.first, f.span.end),) for f in (one, other)]
    return replace(
        max((one, other), key=lambda f: f.probability),
        span=Span(first=one.span.first, end=max(one.span.end, other.span.end), detected=one.span.detected),
        there=joined((*spells[0], *spells[1])),
        lasting=other.lasting,
    )


def _unwell(case: Case, members: Sequence[int], first: int, end: int) -> bool:
    """Whether between two spells of a group on radio more packets were late than a healthy one has, as those
    of its sessions tell that cross the fewest other elements."""
    kind = kind_of(case.home, case.elements[members[0]])
    crossed = {i: sum(i in e.column for e in case.elements) for i in case.elements[members[0]].column}
    nearest = [i for i, count in crossed.items() if count == min(crossed.values())]
    heard = case.reporting.speaks[first:end, nearest]
    sent, lost, slow = (
        int(counts[first:end, nearest][heard].sum(dtype=np.int64))
        for counts in (case.table.sent, case.table.lost, case.table.slow)
    )
    harm = USUAL[kind].harm[Feature.LATE] * np.exp(HARM_LOG_SD)
    return bool(slow > harm * (sent - lost))
