"""One comparison: a home's records or windows in; what was measured, and the verdicts, out; and both as data.

Whoever answers "which hop?" over a span asks here: `compare`, `advise`, `evidence`, the demo. What runs on
asks `live`, which reasons with the same functions.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from whichhop.compare.history import DEFAULT_SETTINGS, judge_changes, judge_with_levels, judgeable, prepare
from whichhop.compare.inference.settings import Settings
from whichhop.compare.windows.clocks import ahead_of_records
from whichhop.compare.windows.filling import Cutter
from whichhop.compare.windows.reporting import unjudged_s
from whichhop.compare.windows.second_counts import RecordSeconds
from whichhop.compare.windows.table import WindowTable, whole_ticks
from whichhop.compare.words import explain
from whichhop.model import Home, Level, Reading, Record, Session, SessionKey, Verdict, derive_sessions
from whichhop.model.felt import Felt
from whichhop.model.record import told_stamps
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What was measured and what came of it.

    windows: from the first tick in which anything was sent to the last, every session of the home that was
    heard. sessions: those of them that are judged; table, speaks: their columns in that order, and where a
    sample is evidence. use: per tick, the share of the plan that the home used itself, NaN where not known.
    verdicts: in the order of time, none where no fault was found. levels: of every link that was measured for
    three minutes, from the first ten. unmeasured: the links of the home that no
    judged session crossed, in the home's order: nothing can be said of them, least of all that they are well.
    not_judged_s: seconds in which an agent was busy, asleep or not heard of, by agent. clocks_off_s: by how
    many seconds an agent's clock was ahead of the others', those in line left out; put right in `table`.
    """

    home: Home
    windows: WindowTable
    sessions: tuple[Session, ...]
    table: WindowTable
    speaks: NDArray[np.bool_]
    use: NDArray[np.float64]
    verdicts: tuple[Verdict, ...]
    levels: tuple[Level, ...]
    unmeasured: tuple[str, ...]
    not_judged_s: Mapping[str, float]
    clocks_off_s: Mapping[str, float]
    felt: tuple[Felt, ...] = ()
    """What users feel though no hop is slow; worked out after all the rest, which it never changes."""

    @property
    def unusual(self) -> list[Level]:
        """Levels above what is usual for their medium, of links of which no verdict says it already."""
        blamed = {name for v in self.verdicts if v.standing for name in v.elements}
        return [v for v in self.levels if v.above_usual and not blamed.intersection(v.elements)]

    @property
    def start_ns(self) -> int:
        """The first window's begin."""
        return self.windows.at_ns(0)

    @property
    def end_ns(self) -> int:
        """The last window's end."""
        return self.windows.at_ns(self.windows.ticks)

    @property
    def span_s(self) -> float:
        """How long it is from the first window's begin to the last one's end."""
        return (self.end_ns - self.start_ns) / NS_PER_S

    @property
    def packets(self) -> int:
        """Packets that spoke."""
        return int(self.windows.sent.sum())


def compare_records(
    home: Home,
    records: Iterable[Record],
    readings: Iterable[Reading],
    *,
    start_ns: int,
    end_ns: int,
    changes_alone: bool = False,
) -> Comparison | None:
    """Judge the home's own sessions from `start_ns` to `end_ns`; None when nothing was measured then.

    Windows lie on whole multiples of their length since the epoch. changes_alone: see compare_windows.
    """
    keys = [s.key for s in derive_sessions(home)]
    by_key: dict[SessionKey, list[Record]] = {key: [] for key in keys}
    for record in records:
        if record.session in by_key and start_ns < (record.minute + 1) * NS_PER_MINUTE:
            by_key[record.session].append(record)
    told = [key for key in keys if by_key[key]]
    if not told:
        return None
    first = min(r.minute for found in by_key.values() for r in found) * NS_PER_MINUTE
    begin, end = whole_ticks(max(start_ns, first), end_ns)
    if begin >= end:
        return None
    cutter = Cutter(told, start_ns=begin, end_ns=end)
    for key in told:
        cutter.add(by_key[key])
    ahead = ahead_of_records([r for key in told for r in by_key[key]])
    stamps = {key: groups for key in told if (groups := told_stamps(by_key[key]))}
    table = replace(cutter.table, stamps=stamps, ahead_s=ahead, seconds=RecordSeconds(by_key))
    return compare_windows(home, table, readings, changes_alone=changes_alone)


def compare_windows(
    home: Home,
    windows: WindowTable,
    readings: Iterable[Reading],
    settings: Settings = DEFAULT_SETTINGS,
    *,
    changes_alone: bool = False,
) -> Comparison | None:
    """Judge the home's own sessions over windows that are cut already; None when nothing was sent in them.

    changes_alone: what was there before the first window is not looked for, and no level is told; it takes
    nearly all of the time. Columns of unknown sessions are passed over, and so are ticks before the first
    packet and after the last.
    """
    measured = windows.measured()
    if measured is None:
        return None
    there = [key for i, key in enumerate(measured.sessions) if measured.sent[:, i].any()]
    measured = measured.picked(there)
    sessions = derive_sessions(home)
    case = prepare(home, sessions, measured, readings, settings)
    verdicts: list[Verdict] = []
    levels: tuple[Level, ...] = ()
    if judgeable(sessions, measured):
        verdicts, levels = (judge_changes(case), ()) if changes_alone else judge_with_levels(case)
    return Comparison(
        home=home,
        windows=measured,
        sessions=case.sessions,
        table=case.table,
        speaks=case.reporting.speaks,
        use=case.use.share,
        verdicts=tuple(verdicts),
        levels=levels,
        unmeasured=unmeasured_links(home, case.sessions, case.reporting.speaks),
        not_judged_s=unjudged_s(case.reporting, case.table),
        clocks_off_s=case.clocks,
    )


def unmeasured_links(home: Home, sessions: Iterable[Session], speaks: NDArray[np.bool_]) -> tuple[str, ...]:
    """The home's links that no session crosses which ever spoke; speaks: (ticks, sessions)."""
    spoke = np.asarray(speaks.any(axis=0))
    crossed = {link.name for i, session in enumerate(sessions) if spoke[i] for link in session.path.links}
    return tuple(dict.fromkeys(link.name for link in home.links if link.name not in crossed))


def verdict_data(verdict: Verdict) -> dict[str, Any]:
    """A verdict as JSON-ready data, with its sentences under "words"."""
    data: dict[str, Any] = msgspec.to_builtins(verdict)
    return data | {"words": explain(verdict)}


def comparison_data(comparison: Comparison) -> dict[str, Any]:
    """The whole answer as JSON-ready data."""
    return {
        "home": comparison.home.name,
        "from_ns": comparison.start_ns,
        "to_ns": comparison.end_ns,
        "sessions": [str(k) for k in comparison.windows.sessions],
        "packets": comparison.packets,
        "coarse": comparison.windows.coarse,
        "stamps": {str(key): sorted(groups) for key, groups in comparison.windows.stamps.items()},
        "not_judged_s": dict(comparison.not_judged_s),
        "clocks_off_s": dict(comparison.clocks_off_s),
        "not_measured": list(comparison.unmeasured),
        "levels": [msgspec.to_builtins(v) for v in comparison.levels],
        "verdicts": [verdict_data(v) for v in comparison.verdicts],
        "felt": [msgspec.to_builtins(f) | {"line": f.line} for f in comparison.felt],
    }
