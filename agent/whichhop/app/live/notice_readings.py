"""What the agents' records tell of notices, for the bulletin: who can send, and what was told by whom."""

from whichhop.model.bulletin import NoticeHeard
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.store import Store

_READY_NS = 10 * NS_PER_MINUTE
_TOLD_NS = 24 * 60 * NS_PER_MINUTE
MOST = 500
"""A home's elements by three ways and some agents, well within a bulletin's line."""


def notice_readings(store: Store, now_ns: int) -> tuple[NoticeHeard, ...]:
    """The newest of each agent's readings of each name (daemon/notice/between_agents.py) and no older one."""
    newest: dict[tuple[str, str], NoticeHeard] = {}
    for begins, span_ns in (("notice_ready:", _READY_NS), ("notice_told:", _TOLD_NS)):
        for reading in store.readings_like(begins, from_ns=now_ns - span_ns, to_ns=now_ns + NS_PER_MINUTE):
            at = (reading.agent, reading.name)
            if at not in newest or reading.at_ns >= newest[at].at_ns:
                newest[at] = NoticeHeard(
                    agent=reading.agent, name=reading.name, at_ns=reading.at_ns, value=reading.value
                )
    return tuple(sorted(newest.values(), key=lambda m: m.at_ns)[-MOST:])
