"""The home's state now from an hour of records, where no agent compares by itself. Pure."""

from collections.abc import Iterable, Mapping, Sequence

from whichhop.compare.bulletin import bulletin_of
from whichhop.compare.live import Follower
from whichhop.compare.windows.filling import Cutter
from whichhop.compare.windows.table import whole_ticks
from whichhop.model import Home, Reading, Record, derive_sessions
from whichhop.model.bulletin import Bulletin
from whichhop.model.mark import Mark
from whichhop.model.units import NS_PER_MINUTE


def judge_lately(
    home: Home,
    records: Sequence[Record],
    readings: Iterable[Reading],
    *,
    start_ns: int,
    end_ns: int,
    troubles: Mapping[str, str],
    marks: Iterable[Mark] = (),
) -> Bulletin | None:
    """What stands at `end_ns` by the home's own sessions since `start_ns`; None when nothing was measured.

    The baseline is learned within the span, so a fault that is older than all of it cannot be seen; troubles:
    by agent, why it does not answer.
    """
    sessions = derive_sessions(home)
    known = {s.key for s in sessions}
    mine = [r for r in records if r.session in known and start_ns < (r.minute + 1) * NS_PER_MINUTE]
    if not mine:
        return None
    begin = max(start_ns, min(r.minute for r in mine) * NS_PER_MINUTE)
    begin, end = whole_ticks(begin, end_ns)
    if begin >= end:
        return None
    cutter = Cutter([s.key for s in sessions], start_ns=begin, end_ns=end)
    cutter.add(mine)
    follower = Follower(home, sessions, start_ns=begin)
    verdicts = follower.feed(cutter.table, readings)
    return bulletin_of(follower.standing(), verdicts, troubles=troubles, marks=marks)
