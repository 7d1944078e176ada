"""What of an episode's samples another episode explains, so that its figures are its own fault's."""

from collections.abc import Iterable, Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.suspects.elements import Element
from whichhop.compare.verdict.episodes import Span

LEAST_ALONE = 2
"""Ticks alone that figures need, since as many open an episode."""


class Episode(Protocol):
    """An episode as far as this needs it: its elements, its ticks, and the parts in which it was there."""

    @property
    def members(self) -> tuple[int, ...]:
        """Indices of elements, likeliest first."""

    @property
    def span(self) -> Span:
        """From its first tick to its end."""

    @property
    def there(self) -> tuple[tuple[int, int], ...]:
        """First and end ticks of the parts in which it was at fault."""


def touched(
    span: Span, others: Iterable[tuple[frozenset[int], tuple[int, int]]], width: int
) -> NDArray[np.bool_]:
    """(ticks of the span, width sessions), True where another fault touches a session; others: the sessions
    that each crosses, and its first and end tick."""
    out = np.zeros((span.end - span.first, width), dtype=bool)
    for column, (begin, stop) in others:
        if begin < span.end and span.first < stop:
            out[max(0, begin - span.first) : stop - span.first, sorted(column)] = True
    return out


def explained(elements: Sequence[Element], mine: Episode, every: Sequence[Episode]) -> NDArray[np.bool_]:
    """(ticks of `mine`, sessions): samples over the element of another episode while that was there.

    The members of a group cross the same sessions, so its likeliest stands for all; one that is mine too is
    nobody else's.
    """
    others = (
        (elements[other.members[0]].column, ticks)
        for other in every
        if other is not mine and not set(other.members) & set(mine.members)
        for ticks in other.there or ((other.span.first, other.span.end),)
    )
    return touched(mine.span, others, 1 + max((i for e in elements for i in e.column), default=-1))


def heard_alone(
    speaks: NDArray[np.bool_], others: NDArray[np.bool_] | None, columns: Sequence[int]
) -> NDArray[np.bool_]:
    """`speaks` without what others explain; all of it where then the columns would hardly be heard."""
    if others is None:
        return speaks
    width = others.shape[1]
    alone = speaks.copy()
    alone[:, :width] &= ~others
    heard = np.count_nonzero(alone[:, list(columns)].any(axis=1))
    return alone if heard >= LEAST_ALONE else speaks
