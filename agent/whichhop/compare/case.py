"""All that is the same for every tick of one comparison: who was heard, what can be at fault, how rarely."""

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.screening import Stretch
from whichhop.compare.inference.settings import Settings
from whichhop.compare.suspects.elements import Element, Nature, elements_of, judged
from whichhop.compare.suspects.priors import PRIORS
from whichhop.compare.verdict.episodes import Span
from whichhop.compare.verdict.provider_guards import Scene
from whichhop.compare.windows import own_traffic
from whichhop.compare.windows.clocks import aligned, aligned_readings, clocks_of, off
from whichhop.compare.windows.reporting import Reporting, first_answers, mute_boxes, reporting_of
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Home, Reading, Session

WATCHED_HOST = 0.1
"""An agent whose lateness is watched and found good is this much less likely to be the culprit."""
UNKNOWN_OWN_HOURS = 96.0
"""Own traffic's rarity without counters: in the race with the access link, not ahead of it."""


class Case(Struct, frozen=True, kw_only=True):
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


def use_known(case: Case, ticks: Stretch | Span) -> bool:
    """Whether counters tell the home's own traffic in these ticks."""
    return own_traffic.is_known(case.use.share[ticks.first : ticks.end])


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
