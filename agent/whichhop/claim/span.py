"""All that a claim's figures are taken from: table, what may be heard, own use, verdicts, their ticks."""

from collections.abc import Iterable, Sequence

import numpy as np
from msgspec import Struct, field
from numpy.typing import NDArray

from whichhop.compare.comparison import Comparison, Judged
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Home, LinkKind, Reading, Session, Verdict

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]
OUTSIDE = (LinkKind.ACCESS, LinkKind.BEYOND)


class JudgedSpan(Struct, frozen=True, kw_only=True):
    """The table's columns stand in the order of `sessions`; `speaks` has the table's shape.

    use: per tick, the share of the plan the home used itself, NaN where not known. unmeasured: links that no
    session crosses.
    """

    home: Home
    sessions: tuple[Session, ...]
    table: WindowTable
    readings: tuple[Reading, ...]
    speaks: Mask
    use: Floats
    verdicts: tuple[Verdict, ...]
    unmeasured: tuple[str, ...]
    worked_out: dict[str, Floats] = field(default_factory=dict)
    """What several figures need of the same verdicts, once it is known."""

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


def judged_span(found: Comparison, readings: Iterable[Reading], judged: Judged | None = None) -> JudgedSpan:
    """What a comparison stands on, with the readings that it was given.

    judged: the whole span's windows where the comparison has those of its last day alone.
    """
    judged = judged or found.judged
    return JudgedSpan(
        home=found.home,
        sessions=judged.sessions,
        table=judged.table,
        readings=tuple(readings),
        speaks=judged.speaks,
        use=judged.use,
        verdicts=found.verdicts,
        unmeasured=found.unmeasured,
    )


def inside_home(session: Session) -> bool:
    """True when the session's packets never leave the home."""
    return not any(link.kind in OUTSIDE for link in session.path.links)
