"""The whole comparison in one call: a home's records in, its windows and verdicts out; and both as data."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import msgspec

from whichhop.compare.history import DEFAULT_SETTINGS, judge_case, judgeable, prepare
from whichhop.compare.windows.filling import Cutter
from whichhop.compare.windows.table import WindowTable, whole_ticks
from whichhop.compare.windows.unjudged import unjudged_s
from whichhop.compare.words import explain
from whichhop.model import Home, Reading, Record, SessionKey, Verdict, derive_sessions
from whichhop.model.stamps import told_stamps
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """What was judged and what came of it; `verdicts` is empty when the home was healthy throughout.

    aside_s: seconds in which an agent was no witness, by agent, those without any left out.
    """

    home: Home
    windows: WindowTable
    verdicts: tuple[Verdict, ...]
    aside_s: Mapping[str, float]

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
    home: Home, records: Iterable[Record], readings: Iterable[Reading], *, start_ns: int, end_ns: int
) -> Comparison | None:
    """Judge the home's own sessions from `start_ns` to `end_ns`; None when nothing was measured then.

    Windows lie on whole multiples of their length since the epoch and begin no earlier than the first packet.
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
    if begin >= end_ns:
        return None
    cutter = Cutter(told, start_ns=begin, end_ns=end)
    for key in told:
        cutter.add(by_key[key])
    stamps = {key: groups for key in told if (groups := told_stamps(by_key[key]))}
    table = replace(cutter.table, stamps=stamps).from_first_packet()
    return None if table is None else compare_windows(home, table, readings)


def compare_windows(home: Home, windows: WindowTable, readings: Iterable[Reading]) -> Comparison:
    """Judge the home's own sessions over windows that are cut already."""
    sessions = derive_sessions(home)
    if not judgeable(sessions, windows):
        return Comparison(home=home, windows=windows, verdicts=(), aside_s={})
    case = prepare(home, sessions, windows, readings, DEFAULT_SETTINGS)
    aside_s = unjudged_s(case.alibi, case.table)
    return Comparison(home=home, windows=windows, verdicts=tuple(judge_case(case)), aside_s=aside_s)


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
        "set_aside_s": dict(comparison.aside_s),
        "verdicts": [verdict_data(v) for v in comparison.verdicts],
    }
