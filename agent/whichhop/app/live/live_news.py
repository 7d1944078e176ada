"""Asks the agents every few seconds for what is new, without letting one that is down hold up the rest."""

import contextlib
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import partial

from whichhop.errors import RemoteError
from whichhop.model import Record
from whichhop.store.collect import Bounds, Fetch
from whichhop.store.gather import gather, open_minutes
from whichhop.store.store import Store

WAITS = (1, 2, 3, 6)
"""In how many turns an agent that did not answer is asked again: once a minute in the end."""
MOST_AT_ONCE = 16
OPEN = "/api/open"
NEWEST = f"{OPEN}?unanswered=lost"


@dataclass(frozen=True, slots=True, kw_only=True)
class News:
    """What one turn of asking brought.

    late: an agent answers that did not before, so minutes that were judged without it are now known.
    told: lines for the reader, each trouble once and its end once.
    """

    open_records: tuple[Record, ...]
    late: bool
    told: tuple[str, ...]


@dataclass(slots=True)
class _Silent:
    trouble: str
    times: int = 1
    wait: int = WAITS[0]


def _given(page: bytes, url: str, token: str) -> bytes:
    """A page that is here already."""
    return page


@dataclass(slots=True)
class Asker:
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
