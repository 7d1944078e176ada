"""The comparer's door: a table of windows in, verdicts out; over history here, tick by tick in `follow`."""

from collections.abc import Callable, Iterable, Sequence
from functools import partial

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.case import Case, bare_scene, prepare, use_known
from whichhop.compare.found import found_episodes, gone_on
from whichhop.compare.inference.evidence import columns_of
from whichhop.compare.inference.pieces import pieces
from whichhop.compare.inference.rated_ticks import scan
from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.screening import Stretch, stretches
from whichhop.compare.inference.segment import Close, OwnUse, look_closely
from whichhop.compare.inference.settings import Settings
from whichhop.compare.inference.some_late import log_rarity
from whichhop.compare.sooner import with_seconds
from whichhop.compare.standing.seen import Period
from whichhop.compare.standing.together import together
from whichhop.compare.standing.verdicts import StandingVerdicts
from whichhop.compare.suspects.elements import Element, Nature, judged
from whichhop.compare.verdict.alone import explained
from whichhop.compare.verdict.before import before_of
from whichhop.compare.verdict.bursts import only_bursts
from whichhop.compare.verdict.corroboration import borne, by_themselves
from whichhop.compare.verdict.late_hosts import with_machines_late
from whichhop.compare.verdict.least import adds_least
from whichhop.compare.verdict.members import once, part_of_own_traffic, with_lookalikes
from whichhop.compare.verdict.verdict import FoundEpisode, verdict_of
from whichhop.compare.windows.reporting import host_log_ratio
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Home, Level, Reading, Session, Verdict

PAST_S, PAST_PART = 300.0, 12
"""Who has many homes looks at the last hour of each again and again: what began in its first five minutes, or
the first twelfth of what is shorter, was seen before, and is the past that the rest is held against."""
DEFAULT_SETTINGS = Settings()
Look = Callable[[Scan, Sequence[Element], NDArray[np.float64], OwnUse, Stretch], Close]


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
    done = scan(case.table, case.sessions, case.reporting, columns, case.settings, first=known, past=first)
    return verdicts(case, done, closes(case, done, past=first), since=first)


def closes(
    case: Case, done: Scan, first: int = 0, *, past: int = 0, look: Look = look_closely
) -> list[Close]:
    """Close looks at every stretch from the tick `first` on in which something may be wrong.

    past: stretches that end before this tick are passed over.
    """
    use = partial(OwnUse, factor=case.use.factor, stay=_stay(case))
    late = done.late[first:], log_rarity(case.onset, done.columns.may_be_late)
    return [
        look(done, case.elements, case.onset, use(known=use_known(case, part)), part)
        for whole in stretches(done.ratios[first:], done.quiet[first:], case.onset, first, late=late)
        if whole.end > past
        for part in pieces(done, case.elements, case.onset, use(known=use_known(case, whole)), whole)
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
    out = []
    for one in found_episodes(case, done, looks):
        found = with_lookalikes(done, case.elements, case.onset, one, apart=use_known(case, one.span))
        lead = case.elements[found.members[0]]
        if borne(done, lead, found.span) and adds_least(done, lead, found):
            out.append(with_machines_late(done, case.elements, case.reporting, found))
    out = once(out)
    out = by_themselves(done, case.elements, out, case.use.stay)
    out = [
        f for f in out if not (use_known(case, f.span) and part_of_own_traffic(done, case.elements, f, out))
    ]
    out = [f for f in out if not only_bursts(done, case.elements, case.use, f)]
    out = gone_on(case, out)
    said = [_verdict(case, done, f, out) for f in out]
    return with_seconds(done, bare_scene(case), case.onset, out, said, newest=newest, since=since)


def _verdict(case: Case, done: Scan, found: FoundEpisode, every: Sequence[FoundEpisode]) -> Verdict:
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
        burdened=case.use.burdened(first, end),
    )
    return verdict_of(
        scene,
        found,
        case.settings,
        at_ns=case.table.at_ns(first),
        end_ns=case.table.at_ns(end),
        detected_ns=case.table.at_ns(found.span.detected + 1),
        others=explained(case.elements, found, every),
        before=before_of(case.table, case.reporting.speaks, first, end, _told(found, every)),
    )


def _told(found: FoundEpisode, every: Sequence[FoundEpisode]) -> list[tuple[int, int]]:
    """First and end ticks of the earlier episodes of what one episode may be of."""
    own = frozenset(found.members)
    return [(f.span.first, f.span.end) for f in every if f is not found and own.intersection(f.members)]
