"""What of a span's samples the claimed element alone explains, where other faults went on as well."""

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace

from whichhop.claim.span import JudgedSpan, Mask
from whichhop.compare.suspects.elements import elements_of
from whichhop.model import Verdict


def told_apart(
    span: JudgedSpan, about: Sequence[Verdict], ticks: Mask, groups: Sequence[Sequence[int]]
) -> tuple[JudgedSpan, tuple[tuple[str, ...], ...]]:
    """The span without samples over other episodes' elements while those went on; and by group of sessions
    the elements whose share is left in, since in the claim's ticks nothing else of the group was heard.

    about: the claim's episodes; their elements are nobody else's. groups: disjoint columns of sessions.
    """
    mine = {name for v in about for name in v.elements}
    columns = {e.name: sorted(e.column) for e in elements_of(span.home, span.sessions) if e.name not in mine}
    theirs = np.zeros(span.speaks.shape, dtype=bool)
    others: dict[str, Mask] = {}
    for verdict in span.verdicts:
        if verdict in about:
            continue
        while_on = span.ticks_of([verdict])
        for name in verdict.elements:
            if name in columns:
                theirs[np.ix_(np.flatnonzero(while_on), np.array(columns[name], dtype=np.intp))] = True
                others[name] = others.get(name, np.zeros(span.table.ticks, dtype=bool)) | while_on
    speaks = span.speaks & ~theirs
    included: list[tuple[str, ...]] = []
    for group in groups:
        columns_of = list(group)
        heard = span.speaks[ticks][:, columns_of]
        if not heard.any() or speaks[ticks][:, columns_of].any():
            included.append(())
            continue
        speaks[:, columns_of] = span.speaks[:, columns_of]
        included.append(
            tuple(
                name
                for name, while_on in others.items()
                if span.speaks[while_on & ticks][:, [i for i in columns_of if i in columns[name]]].any()
            )
        )
    return replace(span, speaks=speaks), tuple(included)
