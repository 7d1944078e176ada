"""A case's packets cut into the comparer's windows and judged, as live use would after some minutes."""

import numpy as np
from msgspec import Struct

from standing.cases import Case
from whichhop.compare.standing.named import Weighed, named, weigh
from whichhop.compare.standing.seen import Period
from whichhop.compare.windows.filling import Cutter
from whichhop.compare.windows.table import TICK_NS, WindowTable
from whichhop.model import ABSENT, Fate
from whichhop.model.units import NS_PER_S

START_NS = 1_767_268_800 * NS_PER_S
TICK_S = TICK_NS // NS_PER_S


class Answer(Struct, frozen=True, kw_only=True):
    """What was named: sets of elements that cannot be told apart; and all that it rests on."""

    named: tuple[frozenset[str], ...]
    weighed: Weighed | None


def table_of_case(case: Case, seconds: int) -> WindowTable:
    """The first seconds as a window table."""
    cutter = Cutter([s.key for s in case.sessions], start_ns=START_NS, end_ns=START_NS + seconds * NS_PER_S)
    for row, session in enumerate(case.sessions):
        rtt_s = case.packets.rtt_s[row, :seconds]
        lost = np.isnan(rtt_s)
        sent_ns = (
            START_NS + np.arange(len(rtt_s), dtype=np.int64) * NS_PER_S + (row * 7919 % 1000) * 1_000_000
        )
        fate = np.where(lost, Fate.LOST, Fate.ANSWERED).astype(np.uint8)
        rtt_ns = np.where(lost, ABSENT, np.nan_to_num(rtt_s) * 1e9).astype(np.int64)
        cutter.add_columns(session.key, sent_ns, fate, rtt_ns)
    return cutter.table


def judge(case: Case, seconds: int) -> Answer:
    """Judge the first seconds of a case."""
    table = table_of_case(case, seconds)
    use = case.use[:seconds].reshape(-1, TICK_S).mean(axis=1)
    speaks = np.ones(table.sent.shape, dtype=bool)
    weighed = weigh(case.home, case.elements, Period(table=table, speaks=speaks, use=use))
    if weighed is None:
        return Answer(named=(), weighed=None)
    groups = weighed.groups.members
    found = named(case.home, case.elements, weighed)
    return Answer(
        named=tuple(frozenset(case.elements[j].name for j in groups[g]) for g in found), weighed=weighed
    )
