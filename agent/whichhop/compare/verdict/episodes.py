"""Joins ticks to episodes with hysteresis: slow to open, slower to close, near ones merged."""

import math
from collections.abc import Callable, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.inference.settings import Settings

LULL_SHARE = 0.1
"""A lull under a tenth of what went before it does not end a state: on measured radios one bad state of hours
was 12 to 41 episodes a day with gaps of one to six minutes."""
MOST_LULL = 10.0
"""Nor does any state bridge more than ten times the ordinary gap (ten minutes): what comes after is new."""
RETURNS = 3
"""What is there a third time within ten minutes of the last is a state that comes and goes. Two may be
chance: of faults of one radio, each eight hours on average (see `priors`), one in fifty comes so soon."""


class Span(Struct, frozen=True, kw_only=True):
    """Ticks first..end-1 of one episode; `detected` is the tick at whose end enough was known.

    sure: whether it is hardly doubted in some tick that anything is at fault at all.
    """

    first: int
    end: int
    detected: int
    sure: bool = True


def spans(
    probability: NDArray[np.float64],
    nothing: NDArray[np.float64],
    outage: NDArray[np.bool_],
    settings: Settings,
) -> list[Span]:
    """Episodes in a run of probabilities (ticks,).

    nothing: of no fault at all. outage: ticks in which everything that crosses the group was lost; one such
    tick may open at once.
    The episode begins where the probability last rose past `close_at` before it opened and ends where it
    fell for good. One that is not sure is none by itself, but may be the beginning of one that is.
    """
    out: list[Span] = []
    high = low = 0
    first: int | None = None
    detected = 0
    plain = (probability >= settings.open_at) & (nothing <= settings.most_doubt)

    def episode(begin: int, end: int) -> Span:
        return Span(first=begin, end=end, detected=detected, sure=bool(plain[begin:end].any()))

    for t, value in enumerate(probability):
        if first is None:
            high = high + 1 if value >= settings.open_at else 0
            if high >= settings.open_ticks or (outage[t] and value >= settings.open_at_once):
                first = t
                while first > 0 and probability[first - 1] > settings.close_at:
                    first -= 1
                detected, low = t, 0
            continue
        low = low + 1 if value <= settings.close_at else 0
        if low >= settings.close_ticks:
            out.append(episode(first, t - low + 1))
            first, high = None, 0
    if first is not None:
        out.append(episode(first, len(probability) - low))
    return out


def noticed(
    forward: NDArray[np.float64],
    soon: NDArray[np.float64],
    nothing: NDArray[np.float64],
    outage: NDArray[np.bool_],
    settings: Settings,
) -> NDArray[np.bool_]:
    """The ticks (ticks,) at whose end live use has what `spans` asks for to open an episode.

    forward: a group's probability in the light of the past, as `nothing` is of no fault at all; soon: of one
    tick more. The newest tick is seen by the first, those before it by the second.
    """
    high = (forward >= settings.open_at) & (nothing <= settings.most_doubt)
    before = soon >= settings.open_at
    for back in range(1, settings.open_ticks):
        high[back:] &= before[:-back]
        high[:back] = False
    return np.asarray(high | (outage & (forward >= settings.open_at_once)))


def bridged(before: Span, gap_ticks: float) -> float:
    """How many ticks a lull after this span has that does not end its state."""
    return min(max(gap_ticks, LULL_SHARE * (before.end - before.first)), MOST_LULL * gap_ticks)


def merged(
    found: Sequence[Span],
    gap_ticks: float,
    alike: Callable[[Span, Span], bool] | None = None,
    heard: "Heard | None" = None,
) -> list[Span]:
    """Spans of one group with less than `gap_ticks` between them become one.

    After a long one a longer lull is bridged, for a state of hours has quiet minutes in it and is one state.
    alike: whether two spans may be one cause at all; any two may unless given. heard: what is no lull, since
    nothing was heard; every tick was unless given.
    """
    out: list[Span] = []
    part: Span | None = None
    for span in sorted(found, key=lambda s: s.first):
        lull = bridged(out[-1], gap_ticks) if out else gap_ticks
        apart = span.first - out[-1].end if out else 0
        near = part is not None and apart - (heard.unheard(out[-1].end, span.first) if heard else 0) < lull
        if near and part is not None and (alike is None or alike(part, span)):
            out[-1] = _one([out[-1], span])
        else:
            out.append(span)
        part = span
    return out


class Heard(Struct, frozen=True):
    """In which ticks anything that crosses a group was heard.

    most: of more ticks unheard than this a fault is likelier gone than not.
    """

    ticks: NDArray[np.bool_]
    most: float

    def unheard(self, first: int, end: int) -> int:
        """Ticks between two instants in which nothing was heard, none where they were too many."""
        count = int(np.count_nonzero(~self.ticks[first:end]))
        return count if count <= self.most else 0

    def goes_on(self, end: int, close_ticks: int) -> bool:
        """Whether no end is in sight of what was there up to a tick: it was not heard without it for as long
        as closes an episode."""
        after = self.ticks[end:]
        return int(np.count_nonzero(after)) < close_ticks and int(np.count_nonzero(~after)) <= self.most


def heard_in(speaks: NDArray[np.bool_], settings: Settings, step_s: float) -> Heard:
    """By the sessions that cross a group (ticks, sessions); a fault of mean length is likelier gone than not
    after as long as halves its chance to be there still."""
    return Heard(np.asarray(speaks.any(axis=1)), math.log(2.0) * settings.mean_fault_s / step_s)


def states(found: Sequence[Span], gap_ticks: float) -> list[Span]:
    """Merged spans of one group, in order of time, of which those that come and go as one state become one.

    A hop that stalls for half a minute in every three is one trouble, not fifteen in three quarters of an
    hour.
    """
    runs: list[list[Span]] = []
    for span in found:
        if runs and span.first - runs[-1][-1].end < MOST_LULL * gap_ticks:
            runs[-1].append(span)
        else:
            runs.append([span])
    out: list[Span] = []
    for run in runs:
        if len(run) < RETURNS:
            out += run
        else:
            out.append(_one(run))
    return out


def _one(of: Sequence[Span]) -> Span:
    """Spans in order of time as one: it is known once the first of them is that is sure."""
    known = next((s for s in of if s.sure), of[0])
    return Span(first=of[0].first, end=max(s.end for s in of), detected=known.detected, sure=known.sure)


def joined(spells: Sequence[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """First and end ticks in order of time, overlapping ones and those side by side as one."""
    out: list[tuple[int, int]] = []
    for first, end in sorted(spells):
        if out and first <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((first, end))
    return tuple(out)
