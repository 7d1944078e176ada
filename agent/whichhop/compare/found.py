"""From close looks to the episodes that are told: merged, parted where one cause is two, with their odds."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.case import Case, use_known
from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.segment import Close, Group
from whichhop.compare.standing.columns import ON_RADIO
from whichhop.compare.standing.usual import HARM_LOG_SD, USUAL, Feature, kind_of
from whichhop.compare.suspects.elements import HOME_SIDE, Nature
from whichhop.compare.suspects.priors import PRIORS
from whichhop.compare.verdict import steps
from whichhop.compare.verdict.episodes import (
    Heard,
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

Part = tuple[Close, Group, Span]
"""A close look, one of its groups, and an episode of that."""


def found_episodes(case: Case, done: Scan, looks: Sequence[Close]) -> Iterator[FoundEpisode]:
    """The episodes of every group of these looks."""
    by_group: dict[tuple[int, ...], list[Part]] = {}
    for close in looks:
        for group in close.groups:
            for span in _spans(case, close, group):
                by_group.setdefault(group.members, []).append((close, group, span))
    for parts in by_group.values():
        for span, inside in _pieces(case, done, parts, _episodes(case, done, parts)):
            yield _found(case, inside, span)


def _heard(case: Case, members: Sequence[int]) -> Heard:
    """In which ticks what crosses a group was heard."""
    column = sorted(frozenset[int]().union(*(case.elements[j].column for j in members)))
    return heard_in(case.reporting.speaks[:, column], case.settings, case.table.step_ns * 1e-9)


def _may_be_own(case: Case, members: Sequence[int], span: Span) -> bool:
    """Whether the home's own traffic, uncounted, may be some of what a group's episode shows."""
    return any(case.elements[j].nature is Nature.OWN_TRAFFIC for j in members) and not use_known(case, span)


def _episodes(case: Case, done: Scan, parts: Sequence[Part]) -> list[Span]:
    """The spans of one group merged; not those of two levels where one may be the home's own traffic."""
    gap = case.settings.merge_gap_s / (case.table.step_ns * 1e-9)
    members = parts[0][1].members
    columns = sorted(case.elements[members[0]].column)

    def alike(one: Span, other: Span) -> bool:
        if not (_may_be_own(case, members, one) or _may_be_own(case, members, other)):
            return True
        return steps.alike(_excess(done, columns, one), _excess(done, columns, other))

    whole = merged([span for _, _, span in parts], gap, alike, _heard(case, members))
    # Each outage of a line is one to a provider; within the home one trouble comes and goes.
    at_home = all(case.elements[j].nature in HOME_SIDE for j in members)
    return states(whole, gap) if at_home else whole


def _pieces(
    case: Case, done: Scan, parts: Sequence[Part], whole: Sequence[Span]
) -> Iterator[tuple[Span, list[Part]]]:
    """Episodes with the looks that they are of; cut where the delay steps, if own traffic is not counted."""
    members = parts[0][1].members
    columns = sorted(case.elements[members[0]].column)
    for span in whole:
        inside = [p for p in parts if span.first <= p[2].first < span.end]
        if not _may_be_own(case, members, span):
            yield span, inside
            continue
        over = _excess(done, columns, span)
        edges = [0, *steps.cuts(over), len(over)]
        for begin, stop in pairwise(edges):
            first, end = span.first + begin, span.first + steps.without_lull(over, begin, stop)
            clipped = [
                (close, group, replace(part, first=max(part.first, first), end=min(part.end, end)))
                for close, group, part in inside
                if part.first < end and part.end > first
            ]
            if clipped:
                # A lull between two pieces is neither's.
                first, end = min(p[2].first for p in clipped), max(p[2].end for p in clipped)
                detected = max(first + case.settings.open_ticks - 1, span.detected)
                yield Span(first=first, end=end, detected=min(detected, end - 1)), clipped


def _excess(done: Scan, columns: Sequence[int], span: Span) -> NDArray[np.float64]:
    """Per tick the sessions' median above their baseline in seconds, NaN where none answered."""
    ticks = slice(span.first, span.end)
    over = done.table.q50_s[ticks][:, columns] - done.baselines[done.block_of(span.first)].loc50[columns]
    over = np.where(done.speaks[ticks][:, columns], over, np.nan).astype(np.float64)
    out = np.full(over.shape[0], np.nan)
    some = np.isfinite(over).any(axis=1)
    out[some] = np.nanmedian(over[some], axis=1)
    return out


def _spans(case: Case, close: Close, group: Group) -> list[Span]:
    """The group's episodes in one stretch, in whole-table ticks."""
    first, end = close.stretch.first, close.stretch.end
    column = sorted(frozenset[int]().union(*(case.elements[j].column for j in group.members)))
    speaks = case.reporting.speaks[first:end][:, column]
    sent = np.where(speaks, case.table.sent[first:end][:, column], 0).sum(axis=1, dtype=np.int64)
    lost = np.where(speaks, case.table.lost[first:end][:, column], 0).sum(axis=1, dtype=np.int64)
    outage = (sent >= 5) & (lost == sent)
    found = spans(group.smooth, outage, case.settings)
    known = noticed(group.forward, group.soon, outage, case.settings)
    out = []
    for span in found:
        # What live use would have known; where it would not have opened, the episode's end.
        live = np.flatnonzero(known[span.first : span.end])
        detected = span.first + int(live[0]) if live.size else span.end - 1
        out.append(Span(first=first + span.first, end=first + span.end, detected=first + detected))
    return out


def _found(case: Case, parts: Sequence[Part], span: Span) -> FoundEpisode:
    """Probability over the episode: the mean over its better half, so that slow edges do not count."""
    members = parts[0][1].members
    values, shares, delay, loss = [], [], [], []
    for close, group, part in parts:
        cut = slice(part.first - close.stretch.first, part.end - close.stretch.first)
        values.append(group.smooth[cut])
        shares.append(group.share[cut] * group.smooth[cut, None])
        delay.append(group.delay[cut])
        loss.append(group.loss[cut])
    value = np.sort(np.concatenate(values))
    share = np.concatenate(shares).sum(axis=0)
    odds = shape_odds(np.concatenate(delay), np.concatenate(loss))
    share = reweighted(share, odds, [PRIORS[case.elements[j].nature] for j in members])
    order = np.argsort(-share, kind="stable")
    return FoundEpisode(
        members=tuple(members[i] for i in order),
        shares=tuple(float(share[i]) for i in order),
        span=span,
        probability=float(value[len(value) // 2 :].mean()),
        # An end is told once it has lasted as long as closes an episode.
        there=joined([(part.first, part.end) for _, _, part in parts]),
        lasting=_heard(case, members).goes_on(span.end, case.settings.close_ticks),
    )


def gone_on(case: Case, found: Sequence[FoundEpisode]) -> list[FoundEpisode]:
    """Episodes in order of time, of which those of one radio are one where it was never well between them, or
    for a moment only: then it is one state of hours that is now worse, now better."""
    out: list[FoundEpisode] = []
    gap = case.settings.merge_gap_s / (case.table.step_ns * 1e-9)
    for one in sorted(found, key=lambda f: (f.span.first, f.members)):
        before = next((f for f in reversed(out) if set(f.members) == set(one.members)), None)
        if before is not None and _goes_on(case, before, one, gap):
            out[out.index(before)] = _as_one(before, one)
        else:
            out.append(one)
    return out


def _goes_on(case: Case, before: FoundEpisode, one: FoundEpisode, gap_ticks: float) -> bool:
    if kind_of(case.home, case.elements[one.members[0]]) not in ON_RADIO:
        return False
    first, end = before.span.end, one.span.first
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
