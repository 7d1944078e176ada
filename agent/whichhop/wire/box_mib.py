"""How a box and one of its interfaces fare, from SNMP values: uptime, frames, errors, duplex. Pure.

RFC 2863 (IF-MIB), RFC 3418 (sysUpTime), RFC 2790 (hrSystemUptime), RFC 3411 (snmpEngineTime), RFC 3635
(dot3StatsDuplexStatus). What a box does not show is None.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from whichhop.wire.if_mib import ENTRY, Oid

_OPER_STATUS: Oid = (*ENTRY, 8)
_LAST_CHANGE: Oid = (*ENTRY, 9)
_RECEIVED: Oid = (*ENTRY, 11)
_IN_DISCARDS: Oid = (*ENTRY, 13)
_IN_ERRORS: Oid = (*ENTRY, 14)
_SENT: Oid = (*ENTRY, 17)
_OUT_DISCARDS: Oid = (*ENTRY, 19)
_OUT_ERRORS: Oid = (*ENTRY, 20)
_DUPLEX: Oid = (1, 3, 6, 1, 2, 1, 10, 7, 2, 1, 19)
COUNTS = (_RECEIVED, _SENT, _IN_ERRORS, _OUT_ERRORS, _IN_DISCARDS, _OUT_DISCARDS)
"""Counter32 each: unicast frames, errors, discards, received before sent."""
_SYSTEM_UPTIME: Oid = (1, 3, 6, 1, 2, 1, 25, 1, 1)
_ENGINE_TIME: Oid = (1, 3, 6, 1, 6, 3, 10, 2, 1, 3)
_AGENT_UPTIME: Oid = (1, 3, 6, 1, 2, 1, 1, 3)
WALKS = (*COUNTS, _OPER_STATUS, _LAST_CHANGE, _DUPLEX, _SYSTEM_UPTIME, _ENGINE_TIME, _AGENT_UPTIME)
TICKS_A_SECOND = 100
"""TimeTicks are hundredths of a second in 32 bits (RFC 2578 7.1.8), so they begin anew after 497 days."""
TICKS_TOP = 2**32
_HALF, _FULL = 2, 3
_UP = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class BoxCounts:
    """uptime_s: of the box, else of its SNMP agent (a restart of that alone then looks like the box's).
    uptime_wraps: whether it is in TimeTicks. counts: in the order of COUNTS. last_change: of the interface's
    state, TimeTicks. full_duplex, up: now."""

    uptime_s: float | None = None
    uptime_wraps: bool = True
    counts: tuple[int | None, ...] = (None,) * len(COUNTS)
    last_change: int | None = None
    full_duplex: bool | None = None
    up: bool | None = None


def box_counts_of(values: Mapping[Oid, int], index: int) -> BoxCounts:
    """Of the interface `index` and its box."""

    def within(oid: Oid, top: int) -> int | None:
        value = values.get(oid)
        return value if value is not None and 0 <= value < top else None

    def column(root: Oid) -> int | None:
        return within((*root, index), TICKS_TOP)

    ticks = within((*_SYSTEM_UPTIME, 0), TICKS_TOP)
    seconds = within((*_ENGINE_TIME, 0), 2**31)
    if ticks is None and seconds is None:
        ticks = within((*_AGENT_UPTIME, 0), TICKS_TOP)
    uptime = seconds if ticks is None else ticks / TICKS_A_SECOND
    status, duplex = column(_OPER_STATUS), column(_DUPLEX)
    return BoxCounts(
        uptime_s=None if uptime is None else float(uptime),
        uptime_wraps=ticks is not None,
        counts=tuple(column(root) for root in COUNTS),
        last_change=column(_LAST_CHANGE),
        full_duplex={_HALF: False, _FULL: True}.get(-1 if duplex is None else duplex),
        up=None if status is None else status == _UP,
    )
