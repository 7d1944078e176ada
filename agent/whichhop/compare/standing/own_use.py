"""The home's own traffic that ran when measuring began: its first quiet minutes tell what it had added."""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.settings import Settings
from whichhop.compare.standing.seen import OWN_USE, UNCOUNTED, Period, SeenAtRest, seen_in
from whichhop.compare.suspects.elements import Element, Nature
from whichhop.compare.verdict.episodes import Span
from whichhop.compare.verdict.provider_guards import Scene
from whichhop.compare.verdict.verdict import FoundEpisode, verdict_of
from whichhop.compare.windows.late_share import SLOW_S
from whichhop.compare.windows.own_traffic import is_known
from whichhop.model import Home, Session, Verdict

SETTLING = 3
"""Ticks at the beginning that may lack a count or share one with what was before."""
LEAST_TICKS = 3
"""A shorter use at the beginning slowed nobody who could have noticed."""
PAUSE = 6
"""A minute: a use that pauses for less goes on."""
REST_TICKS = 12
"""Two quiet minutes, of which a level is known to a tenth of what a full queue adds."""
SLOWED_SHARE = 0.5
"""Half of the sessions over the line, as everywhere where a full line is told by its sessions."""
PROBABILITY = 0.98
"""Counted, and the delay ends as it does: were there as many faults of a line as uploads, one of fifty
would have to end within the same minute. An order of size, no source."""


class FirstUse(Struct, frozen=True, kw_only=True):
    """Ticks 0..end-1 are the use, rest_end is the tick after which it was known; rest: the quiet after it."""

    end: int
    rest_end: int
    rest: SeenAtRest


def first_use(period: Period, own: Element) -> FirstUse | None:
    """The use of the line from the first tick on, where what crosses the line was slowed by it.

    None where it is not counted, goes on, slowed nothing, or the quiet after it is too short yet.
    """
    end = _busy_until(period.use)
    if end < LEAST_TICKS or not is_known(period.use[:end]):
        return None
    quiet = np.flatnonzero(np.isfinite(period.use[end + 1 :]) & ~(period.use[end + 1 :] > OWN_USE))
    if quiet.size < REST_TICKS:
        return None
    rest_end = end + 1 + int(quiet[REST_TICKS - 1]) + 1
    after = slice(end + 1, rest_end)
    rest = seen_in(
        Period(table=period.table.span(end + 1, rest_end), speaks=period.speaks[after], use=period.use[after])
    )
    columns = sorted(own.column)
    q50 = np.where(period.speaks[:end][:, columns], period.table.q50_s[:end][:, columns], np.nan)
    both = np.isfinite(q50).any(axis=0) & rest.heard[columns]
    if not both.any():
        return None
    slowed = np.nanmedian(q50[:, both], axis=0) - rest.level_s[columns][both] > SLOW_S
    return FirstUse(end=end, rest_end=rest_end, rest=rest) if slowed.mean() >= SLOWED_SHARE else None


def _busy_until(use: NDArray[np.float64]) -> int:
    """The tick after the use's last; 0 where none ran at the beginning."""
    busy = np.flatnonzero(use > OWN_USE)
    # A rate takes two readings, which may lie two minutes apart.
    uncounted = min(int(np.argmax(np.isfinite(use))), UNCOUNTED)
    if not busy.size or busy[0] > uncounted + SETTLING:
        return 0
    pauses = np.flatnonzero(np.diff(busy) > PAUSE)
    return int(busy[pauses[0]] if pauses.size else busy[-1]) + 1


def own_use_at_first(
    home: Home,
    sessions: tuple[Session, ...],
    elements: Sequence[Element],
    settings: Settings,
    period: Period,
) -> Verdict | None:
    """What the home's own traffic added from before the first packet on until it ended; None as above."""
    place = next((j for j, e in enumerate(elements) if e.nature is Nature.OWN_TRAFFIC), None)
    found = None if place is None else first_use(period, elements[place])
    if place is None or found is None:
        return None
    table, rest = period.table, found.rest
    scene = Scene(
        home=home,
        sessions=sessions,
        elements=tuple(elements),
        table=table.span(0, found.end),
        speaks=period.speaks[: found.end],
        loc50=rest.level_s.astype(np.float32),
        scale50=np.nan_to_num(rest.level_error_s, nan=1.0).astype(np.float32),
        loc80=(rest.level_s + np.nan_to_num(rest.tail_s)).astype(np.float32),
        base_loss=rest.lost / np.maximum(rest.sent, 1.0),
        watched=period.watched,
        use=period.use[: found.end],
    )
    episode = FoundEpisode(
        members=(place,),
        shares=(1.0,),
        span=Span(first=0, end=found.end, detected=found.rest_end - 1),
        probability=PROBABILITY,
        lasting=False,
    )
    verdict = verdict_of(
        scene,
        episode,
        settings,
        at_ns=table.start_ns,
        end_ns=table.at_ns(found.end),
        detected_ns=table.at_ns(found.rest_end),
    )
    return replace(verdict, standing=True)
