"""Gathers the other agents' records into this store, page by page; goes on where it left off."""

import base64
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import msgspec

from whichhop.errors import DataError, RemoteError
from whichhop.model import Reading
from whichhop.model.chain_signature import ChainSignature
from whichhop.store.store import Store
from whichhop.store.write import Linked

Fetch = Callable[[str, str], bytes]
"""Gives the body at an address, shown a bearer token; RemoteError when there is none. See net/http_get.py."""

PAGE = 500
_FAR = 2**62


@dataclass(frozen=True, slots=True, kw_only=True)
class Collected:
    """What came of asking one agent; `trouble` is empty when all went well."""

    agent: str
    records: int
    readings: int
    trouble: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Page:
    origin: bytes | None
    last_seq: int
    signed: ChainSignature | None
    rows: list[dict[str, Any]]


Progress = Callable[[str, int, int], None]
"""Told the agent, the place reached and the last place."""


def _quiet(agent: str, place: int, last: int) -> None:
    """Tell nobody."""


def collect(
    store: Store, addresses: Mapping[str, str], token: str, fetch: Fetch, progress: Progress = _quiet
) -> list[Collected]:
    """Ask each agent (name to base address, "http://192.0.2.2:8620") for what is new.

    An agent that is down, or answers wrongly, is told in its result and the others are asked all the same.
    A StoreError is ours and is raised.
    """
    return [
        _collect_one(store, _Remote(agent=agent, base=base, token=token, fetch=fetch), progress)
        for agent, base in addresses.items()
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Remote:
    agent: str
    base: str
    token: str
    fetch: Fetch

    def page(self, what: str, after: int, limit: int = PAGE) -> _Page:
        body = self.fetch(f"{self.base}/api/{what}?after={after}&limit={limit}", self.token)
        try:
            head, *rows = [json.loads(line) for line in body.splitlines()]
            named, last_seq = head["agent"], head["last_seq"]
            origin = None if head["origin"] is None else bytes.fromhex(head["origin"])
            places = [row["seq"] for row in rows]
            signed = msgspec.convert(head.get("signed"), ChainSignature | None)
        except (ValueError, KeyError, TypeError, RecursionError) as why:
            raise _unreadable(self.agent, why) from None
        if named != self.agent:
            raise RemoteError(
                f"agent {self.agent} says it is {str(named)[:40]!r}; check the addresses in the home file"
            )
        for before, place in pairwise([after, *places]):
            if type(place) is not int or not before < place < _FAR:
                raise _unreadable(self.agent, f"place {str(place)[:40]} after {before}")
        return _Page(origin=origin, last_seq=last_seq, signed=signed, rows=rows)

    def pages(self, what: str, after: int, origin: bytes) -> Iterator[_Page]:
        while (page := self.page(what, after)).rows:
            if page.origin != origin:
                raise RemoteError(f"agent {self.agent} began a new store meanwhile; collect again")
            yield page
            after = page.rows[-1]["seq"]


def _collect_one(store: Store, remote: _Remote, progress: Progress) -> Collected:
    agent = remote.agent
    records = readings = 0
    trouble = ""
    try:
        first = remote.page("records", 0, limit=0)
        origin = first.origin
        if origin is not None:
            chain = store.collected_chain(agent, origin)
            for page in remote.pages("records", chain.last_seq if chain else 0, origin):
                records += store.adopt(agent, origin, [_linked(row, agent) for row in page.rows])
                progress(agent, page.rows[-1]["seq"], page.last_seq)
            for page in remote.pages("readings", chain.readings_seq if chain else 0, origin):
                readings += store.adopt(agent, origin, (), [_reading(row, agent) for row in page.rows])
            if first.signed is not None:
                store.put_signature(agent, origin, first.signed)
    except (RemoteError, DataError) as told:
        trouble = str(told)
    return Collected(agent=agent, records=records, readings=readings, trouble=trouble)


def _unreadable(agent: str, why: object) -> RemoteError:
    return RemoteError(f"agent {agent} answers what cannot be read ({why}); do both run the same version?")


def _linked(row: dict[str, Any], agent: str) -> Linked:
    try:
        return Linked(
            seq=row["seq"],
            before=bytes.fromhex(row["before"]),
            after=bytes.fromhex(row["chain"]),
            packed=base64.b64decode(row["record"], validate=True),
        )
    except (ValueError, KeyError, TypeError) as why:
        raise _unreadable(agent, why) from None


def _reading(row: dict[str, Any], agent: str) -> tuple[int, Reading]:
    try:
        at_ns, name, value = row["at_ns"], row["name"], row["value"]
        if type(at_ns) is not int or abs(at_ns) >= 2**63 or type(name) is not str:
            raise TypeError("a reading's instant or name")
        return row["seq"], Reading(at_ns=at_ns, agent=agent, name=name, value=float(value))
    except (ValueError, KeyError, TypeError, OverflowError) as why:
        raise _unreadable(agent, why) from None
