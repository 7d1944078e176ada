"""The comparer's door: a table of windows in, verdicts out; over history here, tick by tick in `follow`."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.evidence import columns_of
from whichhop.compare.inference.pieces import pieces
from whichhop.compare.inference.rated_ticks import scan
from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.screening import Stretch, stretches
from whichhop.compare.inference.segment import Close, Group, OwnUse, look_closely
from whichhop.compare.inference.settings import Settings
from whichhop.compare.sooner import with_seconds
from whichhop.compare.standing.seen import Period
from whichhop.compare.standing.verdicts import StandingVerdicts, together
from whichhop.compare.suspects.elements import HOME_SIDE, Element, Nature, elements_of, judged
from whichhop.compare.suspects.priors import PRIORS
from whichhop.compare.verdict import steps
from whichhop.compare.verdict.bursts import only_bursts
from whichhop.compare.verdict.corroboration import borne, by_themselves
from whichhop.compare.verdict.episodes import Heard, Span, heard_in, joined, merged, noticed, spans, states
from whichhop.compare.verdict.late_hosts import with_machines_late
from whichhop.compare.verdict.members import (
    once,
    part_of_own_traffic,
    reweighted,
    shape_odds,
    with_lookalikes,
)
from whichhop.compare.verdict.provider_guards import Scene
from whichhop.compare.verdict.verdict import FoundEpisode, verdict_of
from whichhop.compare.windows import own_traffic
from whichhop.compare.windows.clocks import aligned, aligned_readings, clocks_of, off
from whichhop.compare.windows.reporting import (
    Reporting,
    first_answers,
    host_log_ratio,
    mute_boxes,
    reporting_of,
)
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Home, Level, Reading, Session, Verdict

WATCHED_HOST = 0.1
"""An agent whose lateness is watched and found good is this much less likely to be the culprit."""
UNKNOWN_OWN_HOURS = 96.0
"""Own traffic's rarity without counters: in the race with the access link, not ahead of it."""
PAST_S, PAST_PART = 300.0, 12
"""Who has many homes looks at the last hour of each again and again: what began in its first five minutes, or
the first twelfth of what is shorter, was seen before, and is the past that the rest is held against."""
DEFAULT_SETTINGS = Settings()


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """All that is the same for every tick of one comparison."""

    home: Home
    sessions: tuple[Session, ...]
    elements: tuple[Element, ...]
    table: WindowTable
    reporting: Reporting
    use: own_traffic.LineUse
    onset: NDArray[np.float64]
    settings: Settings
    clocks: Mapping[str, float]
    """Seconds by which agents' clocks were ahead of the others', only those off; put right in `table`."""


def prepare(
    home: Home,
    sessions: Sequence[Session],
    table: WindowTable,
    readings: Iterable[Reading],
    settings: Settings,
) -> Case:
    """Line the table up with the sessions, find the elements, set aside what is no evidence."""
    known = {s.key: s for s in judged(sessions)}
    # In the table's own order, for a copy of a month is dear.
    heard = tuple(known[key] for key in table.sessions if key in known)
    clocks = off(clocks_of(table.ahead_s, {s.key.agent for s in heard}))
    table = aligned(table.picked([s.key for s in heard]), clocks)
    readings = aligned_readings(readings, clocks)
    reporting = reporting_of(table, heard, readings)
    mute = mute_boxes(first_answers(table), range(table.ticks), heard)
    reporting = replace(reporting, speaks=reporting.speaks & ~mute)
    use = own_traffic.line_use(readings, table, home.plan, heard)
    elements = elements_of(home, heard)
    step_s = table.step_ns * 1e-9
    onset = np.array([_onset(e, reporting, use.share) for e in elements]) * step_s / 3600.0
    return Case(
        home=home,
        sessions=heard,
        elements=elements,
        table=table,
        reporting=reporting,
        use=use,
        onset=onset,
        settings=settings,
        clocks=clocks,
    )


def _onset(element: Element, reporting: Reporting, use: NDArray[np.float64]) -> float:
    """Chance of an onset per hour."""
    per_hour = 1.0 / PRIORS[element.nature].mean_hours
    if element.nature is Nature.HOST and element.name.partition(":")[2] in reporting.watched:
        return per_hour * WATCHED_HOST
    if element.nature is Nature.OWN_TRAFFIC and not np.isfinite(use).any():
        return 1.0 / UNKNOWN_OWN_HOURS
    return per_hour


def judge(
    home: Home,
    sessions: Sequence[Session],
    table: WindowTable,
    readings: Iterable[Reading] = (),
    settings: Settings = DEFAULT_SETTINGS,
) -> list[Verdict]:
    """Every verdict over a history, in order of time; empty when nothing stood out nor exceeded its baseline.

    Sessions without a column in the table, and columns of unknown sessions, are passed over.
    """
    measured = table.measured()
    if measured is None or not judgeable(sessions, measured):
        return []
    return judge_case(prepare(home, sessions, measured, readings, settings))


def judgeable(sessions: Sequence[Session], table: WindowTable) -> bool:
    """Whether the table has anything of these sessions that could be judged."""
    known = set(table.sessions)
    return bool(table.ticks) and any(s.key in known for s in judged(sessions))


def judge_case(case: Case) -> list[Verdict]:
    """Every verdict over a history that was prepared: what stood before it began, and what changed since."""
    return judge_with_levels(case)[0]


def judge_changes(case: Case) -> list[Verdict]:
    """Only what changed in the history, its first PAST_S aside: a thirtieth of the work, for many homes."""
    columns = columns_of(case.elements, len(case.sessions))
    first = min(round(PAST_S * 1e9 / case.table.step_ns), case.table.ticks // PAST_PART)
    done = scan(case.table, case.sessions, case.reporting, columns, case.settings, first=first)
    return verdicts(case, done, closes(case, done))


def judge_with_levels(case: Case) -> tuple[list[Verdict], tuple[Level, ...]]:
    """The same, and the level of every link, empty where less than three minutes could be used."""
    columns = columns_of(case.elements, len(case.sessions))
    done = scan(case.table, case.sessions, case.reporting, columns, case.settings)
    changed = verdicts(case, done, closes(case, done))
    stood, levels = standing_faults(case)
    return together(stood, changed, case.table.at_ns(case.table.ticks)), levels


def standing_faults(case: Case) -> tuple[list[Verdict], tuple[Level, ...]]:
    """What was wrong before the first packet of a history, and until when; and the level of every link."""
    teller = StandingVerdicts(
        home=case.home, sessions=case.sessions, elements=case.elements, settings=case.settings
    )
    found = teller.verdicts(Period.of(case.table, case.reporting, case.use.share))
    return found, teller.levels


def changes_since(case: Case, first: int, *, known: int = 0) -> list[Verdict]:
    """What changed in a history; of what was over before the tick `first`, only what the rest needs.

    known: the ticks before this one are past only.
    """
    columns = columns_of(case.elements, len(case.sessions))
    done = scan(case.table, case.sessions, case.reporting, columns, case.settings, first=known)
    return verdicts(case, done, closes(case, done, past=first), since=first)


def closes(case: Case, done: Scan, first: int = 0, *, past: int = 0) -> list[Close]:
    """Close looks at every stretch from the tick `first` on in which something may be wrong.

    past: stretches that end before this tick are passed over.
    """
    use = partial(OwnUse, factor=case.use.factor, stay=_stay(case))
    return [
        look_closely(done, case.elements, case.onset, use(known=_use_known(case, part)), part)
        for whole in stretches(done.ratios[first:], done.quiet[first:], case.onset, first)
        if whole.end > past
        for part in pieces(done, case.elements, case.onset, use(known=_use_known(case, whole)), whole)
    ]


def _stay(case: Case) -> dict[int, NDArray[np.float64]]:
    """By element, what counters and the agents' own readings say of its being the cause in each tick."""
    late = dict(zip(case.reporting.agents, host_log_ratio(case.reporting.late_s).T, strict=True))
    out: dict[int, NDArray[np.float64]] = {}
    for j, element in enumerate(case.elements):
        if element.nature is Nature.OWN_TRAFFIC:
            out[j] = case.use.stay
        elif element.nature is Nature.HOST:
            out[j] = late[element.name.partition(":")[2]]
    return out


def verdicts(
    case: Case, done: Scan, looks: Sequence[Close], *, newest: bool = True, since: int = 0
) -> list[Verdict]:
    """Episodes of all looks, merged, as verdicts; newest: also what only the last seconds show. since: no
    seconds before this tick are looked at."""
    gap = case.settings.merge_gap_s / (case.table.step_ns * 1e-9)
    by_group: dict[tuple[int, ...], list[tuple[Close, Group, Span]]] = {}
    for close in looks:
        for group in close.groups:
            for span in _spans(case, close, group):
                by_group.setdefault(group.members, []).append((close, group, span))
    out = []
    for parts in by_group.values():
        for span, inside in _pieces(case, done, parts, _episodes(case, done, parts, gap)):
            found = _found(case, inside, span)
            found = with_lookalikes(
                done, case.elements, case.onset, found, apart=_use_known(case, found.span)
            )
            if borne(done, case.elements[found.members[0]], span):
                out.append(with_machines_late(done, case.elements, case.reporting, found))
    out = once(out)
    out = by_themselves(done, case.elements, out)
    out = [f for f in out if not (_use_known(case, f.span) and part_of_own_traffic(case.elements, f, out))]
    out = [f for f in out if not only_bursts(done, case.elements, case.use.share, f)]
    out.sort(key=lambda f: (f.span.first, f.members))
    said = [_verdict(case, done, f) for f in out]
    return with_seconds(done, bare_scene(case), case.onset, out, said, newest=newest, since=since)


Part = tuple[Close, Group, Span]
"""A close look, one of its groups, and an episode of that."""


def _heard(case: Case, members: Sequence[int]) -> Heard:
    """In which ticks what crosses a group was heard."""
    column = sorted(frozenset[int]().union(*(case.elements[j].column for j in members)))
    return heard_in(case.reporting.speaks[:, column], case.settings, case.table.step_ns * 1e-9)


def _may_be_own(case: Case, members: Sequence[int], span: Span) -> bool:
    """Whether the home's own traffic, uncounted, may be some of what a group's episode shows."""
    return any(case.elements[j].nature is Nature.OWN_TRAFFIC for j in members) and not _use_known(case, span)


def _episodes(case: Case, done: Scan, parts: Sequence[Part], gap: float) -> list[Span]:
    """The spans of one group merged; not those of two levels where one may be the home's own traffic."""
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


def _use_known(case: Case, ticks: Stretch | Span) -> bool:
    return own_traffic.is_known(case.use.share[ticks.first : ticks.end])


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


def _found(case: Case, parts: Sequence[tuple[Close, Group, Span]], span: Span) -> FoundEpisode:
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


def bare_scene(case: Case) -> Scene:
    """What the scene of any time has, its arrays not yet filled."""
    nothing = np.empty(0, dtype=np.float32)
    return Scene(
        home=case.home,
        sessions=case.sessions,
        elements=case.elements,
        table=case.table.span(0, 0),
        speaks=case.reporting.speaks[:0],
        loc50=nothing,
        scale50=nothing,
        loc80=nothing,
        base_loss=np.empty(0),
        watched=case.reporting.watched,
        use=np.empty(0),
        usual_use=case.use.usual,
        doubts=case.use.doubts,
    )


def _verdict(case: Case, done: Scan, found: FoundEpisode) -> Verdict:
    first, end = found.span.first, found.span.end
    base = done.baselines[done.block_of(first)]
    there = np.zeros(end - first, dtype=bool)
    for begin, stop in found.there:
        there[begin - first : stop - first] = True
    scene = replace(
        bare_scene(case),
        table=case.table.span(first, end),
        # What came and went is told, and judged, by the time in which it was there.
        speaks=case.reporting.speaks[first:end] & there[:, None],
        loc50=base.loc50,
        scale50=base.scale50,
        loc80=base.loc80,
        base_loss=base.loss,
        use=case.use.most[first:end],
    )
    return verdict_of(
        scene,
        found,
        case.settings,
        at_ns=case.table.at_ns(first),
        end_ns=case.table.at_ns(end),
        detected_ns=case.table.at_ns(found.span.detected + 1),
    )
