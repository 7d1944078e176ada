"""Asks the agents every few seconds for what is new, and what that tells of own traffic and of notices.

One that is down does not hold up the rest.
"""

import contextlib
from collections.abc import Callable, Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from functools import partial

from msgspec import Struct, field

from whichhop.errors import RemoteError
from whichhop.model import Reading, Record
from whichhop.model.bulletin import DEVICE_DOWN, DEVICE_UP, DeviceUse, NoticeHeard, OwnUse
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.store.collect import Bounds, Fetch, gather, open_minutes
from whichhop.store.store import Store

WAITS = (1, 2, 3, 6)
"""In how many turns an agent that did not answer is asked again: once a minute in the end."""
MOST_AT_ONCE = 16
OPEN = "/api/open"
NEWEST = f"{OPEN}?unanswered=lost"

_READY_NS = 10 * NS_PER_MINUTE
_TOLD_NS = 24 * 60 * NS_PER_MINUTE
MOST = 500
"""A home's elements by three ways and some agents, well within a bulletin's line."""

LATELY_NS = 60 * NS_PER_S
LEAST_NS = 8 * NS_PER_S
"""Counts come every ten seconds; two that are closer are one that came late."""
DEVICE_LATELY_NS = 35 * NS_PER_S
"""The last three looks at the connections."""


class News(Struct, frozen=True, kw_only=True):
    """What one turn of asking brought.

    late: an agent answers that did not before, so minutes that were judged without it are now known.
    told: lines for the reader, each trouble once and its end once.
    """

    open_records: tuple[Record, ...]
    late: bool
    told: tuple[str, ...]


class _Silent(Struct):
    trouble: str
    times: int = 1
    wait: int = WAITS[0]


def _given(page: bytes, url: str, token: str) -> bytes:
    """A page that is here already."""
    return page


class Asker(Struct):
    """addresses: agent to base address. fetch: with a patience well under a tick."""

    store: Store
    addresses: Mapping[str, str]
    token: str
    fetch: Fetch
    bounds: Callable[[], Bounds] = Bounds
    _silent: dict[str, _Silent] = field(default_factory=dict)

    @property
    def troubles(self) -> dict[str, str]:
        """The agents that do not answer, and why."""
        return {agent: silent.trouble for agent, silent in self._silent.items()}

    def turn(self) -> News:
        """Ask whoever is due; StoreError when what came cannot be kept."""
        due = []
        for agent in self.addresses:
            silent = self._silent.get(agent)
            if silent is not None:
                silent.wait -= 1
            if silent is None or silent.wait <= 0:
                due.append(agent)
        # The open minutes are asked for all at once: whoever is silent costs one patience, not one each.
        pages, troubles = self._open_pages(due)

        def once(url: str, token: str) -> bytes:
            return pages.pop(url) if url in pages else self.fetch(url, token)

        there = {agent: self.addresses[agent] for agent in due if agent not in troubles}
        found = gather(self.store, there, self.token, once, bounds=self.bounds)
        troubles |= {one.agent: one.trouble for one in found.agents if one.trouble}
        told, late = [], False
        for agent in due:
            if agent in troubles:
                told += self._note(agent, troubles[agent])
            elif self._silent.pop(agent, None) is not None:
                told.append(f"{agent}: answers again")
                late = True
        return News(open_records=found.open_records, late=late, told=tuple(told))

    def open_now(self) -> list[Record]:
        """The open minutes of all agents that answered last, asked for between two turns; what one of them
        has to say of itself is the next turn's."""
        found: list[Record] = []
        pages, _ = self._open_pages([a for a in self.addresses if a not in self._silent], NEWEST)
        for agent, base in self.addresses.items():
            page = pages.get(f"{base}{NEWEST}")
            if page is not None:
                with contextlib.suppress(RemoteError):
                    found += open_minutes(agent, base, self.token, partial(_given, page))
        return found

    def _open_pages(self, agents: list[str], page: str = OPEN) -> tuple[dict[str, bytes], dict[str, str]]:
        pages: dict[str, bytes] = {}
        troubles: dict[str, str] = {}
        if not agents:
            return pages, troubles
        with ThreadPoolExecutor(min(MOST_AT_ONCE, len(agents))) as pool:
            asked = {agent: f"{self.addresses[agent]}{page}" for agent in agents}
            answers = {agent: pool.submit(self.fetch, url, self.token) for agent, url in asked.items()}
            for agent, answer in answers.items():
                try:
                    pages[asked[agent]] = answer.result()
                except RemoteError as trouble:
                    troubles[agent] = str(trouble)
        return pages, troubles

    def _note(self, agent: str, trouble: str) -> list[str]:
        """Remember who is silent; the line for the reader when it is new."""
        known = self._silent.get(agent)
        if known is None:
            self._silent[agent] = _Silent(trouble)
            return [f"{agent}: {trouble}"]
        known.trouble = trouble
        known.wait = WAITS[min(known.times, len(WAITS) - 1)]
        known.times += 1
        return []


def notice_readings(store: Store, now_ns: int) -> tuple[NoticeHeard, ...]:
    """The newest of each agent's readings of each name (daemon/notice/book.py) and no older one."""
    newest: dict[tuple[str, str], NoticeHeard] = {}
    for begins, span_ns in (("notice_ready:", _READY_NS), ("notice_told:", _TOLD_NS)):
        for reading in store.readings_like(begins, from_ns=now_ns - span_ns, to_ns=now_ns + NS_PER_MINUTE):
            at = (reading.agent, reading.name)
            if at not in newest or reading.at_ns >= newest[at].at_ns:
                newest[at] = NoticeHeard(
                    agent=reading.agent, name=reading.name, at_ns=reading.at_ns, value=reading.value
                )
    return tuple(sorted(newest.values(), key=lambda m: m.at_ns)[-MOST:])


def own_use(store: Store, now_ns: int) -> OwnUse | None:
    """None where nobody counts the home's own traffic."""
    counts = list(store.readings_like("wan_", from_ns=now_ns - LATELY_NS, to_ns=now_ns + NS_PER_S))
    down, up = (_rate([r for r in counts if r.name == name]) for name in ("wan_rx_bytes", "wan_tx_bytes"))
    if down is None or up is None:
        return None
    seen = store.readings_like("device_", from_ns=now_ns - DEVICE_LATELY_NS, to_ns=now_ns + NS_PER_S)
    return OwnUse(down_bps=down, up_bps=up, devices=tuple(_devices(seen)))


def _rate(counts: list[Reading]) -> float | None:
    """Bit/s from a counter's first and last reading; one that began again in between tells nothing."""
    if len(counts) < 2:
        return None
    first, last = counts[0], counts[-1]
    moved, took_ns = last.value - first.value, last.at_ns - first.at_ns
    if first.agent != last.agent or moved < 0 or took_ns < LEAST_NS:
        return None
    return 8 * moved / took_ns * NS_PER_S


def _devices(seen: Iterable[Reading]) -> list[DeviceUse]:
    """Each device's mean over the looks in which anybody was told, the busiest first."""
    sums: dict[str, dict[str, float]] = {}
    looks: dict[int, None] = {}
    for reading in seen:
        kind, _, name = reading.name.partition(":")
        if kind in (DEVICE_DOWN, DEVICE_UP):
            looks[reading.at_ns // (5 * NS_PER_S)] = None
            ways = sums.setdefault(name, {})
            ways[kind] = ways.get(kind, 0.0) + reading.value
    found = [
        DeviceUse(
            name=n, down_bps=w.get(DEVICE_DOWN, 0.0) / len(looks), up_bps=w.get(DEVICE_UP, 0.0) / len(looks)
        )
        for n, w in sums.items()
    ]
    return sorted(found, key=lambda d: -max(d.down_bps, d.up_bps))
