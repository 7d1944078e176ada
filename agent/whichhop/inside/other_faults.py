"""When another fault lay on the way of packets over a hop: they tell nothing then of why it is slow. Pure."""

from collections.abc import Callable, Iterable, Mapping, Sequence

from whichhop.model import Session, SessionKey, Verdict

Columns = Mapping[str, frozenset[int]]
"""By element, the indices of the sessions that cross it."""

Spans = Mapping[SessionKey, Sequence[tuple[int, int]]]
"""By session, the first and end ns (UTC) of the times in which another fault lay on its path."""


def over_others(
    columns: Callable[[], Columns],
    sessions: Sequence[Session],
    mine: Iterable[Verdict],
    every: Iterable[Verdict],
    end_ns: int,
) -> Spans:
    """When each session crossed the element of a verdict that shares none with `mine`.

    The members of a group cross the same sessions, so its likeliest stands for all. columns: asked for
    where there is such a verdict. end_ns: the end of what goes on.
    """
    named = {name for v in mine for name in v.elements}
    others = [v for v in every if v.elements and not named & set(v.elements)]
    out: dict[SessionKey, list[tuple[int, int]]] = {}
    for verdict in others:
        for i in columns().get(verdict.elements[0], ()):
            out.setdefault(sessions[i].key, []).append((verdict.start_ns, verdict.end_ns or end_ns))
    return out
