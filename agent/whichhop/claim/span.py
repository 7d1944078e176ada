"""All that a claim's figures are taken from: table, what may be heard, own use, verdicts, their ticks."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.history import judge
from whichhop.compare.suspects.elements import judged
from whichhop.compare.windows import own_traffic
from whichhop.compare.windows.reporting import alibi_of
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Home, LinkKind, Reading, Session, Verdict, derive_sessions

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]
OUTSIDE = (LinkKind.ACCESS, LinkKind.BEYOND)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """The table's columns stand in the order of `sessions`; `speaks` has the table's shape.

    use: per tick, the share of the plan the home used itself, NaN where not known.
    """

    home: Home
    sessions: tuple[Session, ...]
    table: WindowTable
    readings: tuple[Reading, ...]
    speaks: Mask
    use: Floats
    verdicts: tuple[Verdict, ...]

    def ticks_of(self, verdicts: Sequence[Verdict]) -> Mask:
        """True for every tick inside one of these episodes."""
        out = np.zeros(self.table.ticks, dtype=bool)
        for v in verdicts:
            out[self.span_of(v)] = True
        return out

    def span_of(self, verdict: Verdict) -> slice:
        """The episode's ticks; to the span's end while it lasts."""
        end_ns = self.table.at_ns(self.table.ticks) if verdict.end_ns is None else verdict.end_ns
        step = self.table.step_ns
        first = (verdict.start_ns - self.table.start_ns) // step
        return slice(max(0, first), max(0, -(-(end_ns - self.table.start_ns) // step)))

    @property
    def quiet(self) -> Mask:
        """Ticks outside every episode, whoever's it is."""
        return ~self.ticks_of(self.verdicts)


def sight_of(home: Home, table: WindowTable, readings: Iterable[Reading]) -> Sight | None:
    """Judge a table and keep all that the judgement stands on; None when no session of the home is in it."""
    there = {key for i, key in enumerate(table.sessions) if table.sent[:, i].any()}
    sessions = tuple(
        sorted((s for s in judged(derive_sessions(home)) if s.key in there), key=lambda s: s.key)
    )
    if not sessions:
        return None
    table = table.picked([s.key for s in sessions])
    kept = tuple(readings)
    return Sight(
        home=home,
        sessions=sessions,
        table=table,
        readings=kept,
        speaks=alibi_of(table, sessions, kept).speaks,
        use=own_traffic.usage(kept, table, home.plan),
        verdicts=tuple(judge(home, sessions, table, kept)),
    )


def inside_home(session: Session) -> bool:
    """True when the session's packets never leave the home."""
    return not any(link.kind in OUTSIDE for link in session.path.links)
