"""Hands this agent's records, open minutes and readings to whoever collects them, a page at a time."""

import base64
import json
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

import msgspec

from whichhop.model import Home, Record, Session
from whichhop.serve.answer import NDJSON, Answer, Question, RefusedError, only_known, whole_number
from whichhop.store.store import Store
from whichhop.wire.ntp64 import settle
from whichhop.wire.packed import pack

DEFAULT_LIMIT = 500
MOST = 2_000
FAR = 2**62


def _lines(values: Iterable[dict[str, Any]]) -> Answer:
    body = "".join(json.dumps(v, separators=(",", ":")) + "\n" for v in values)
    return Answer(body=body.encode(), content_type=NDJSON)


def _head(store: Store, agent: str) -> dict[str, Any]:
    """The first line of each page: which chain this is and how far it goes."""
    chain = store.own_chain(agent)
    if chain is None:
        return {"agent": agent, "origin": None, "last_seq": 0, "head": None, "signed": None}
    return {
        "agent": agent,
        "origin": chain.origin.hex(),
        "last_seq": chain.last_seq,
        "head": chain.head.hex(),
        "signed": msgspec.to_builtins(store.signature(chain.origin)),
    }


def records_page(path: Path, agent: str, question: Question) -> Answer:
    """GET /api/records?after=SEQ&limit=N: a head line, then records past SEQ in the order of the chain.

    Blocking, for a worker thread: it opens the store anew, so that it never waits for the daemon's writer.
    """
    only_known(question, "after", "limit")
    after = whole_number(question, "after", 0, FAR)
    limit = whole_number(question, "limit", DEFAULT_LIMIT, MOST)
    with Store.open(path, read_only=True) as store:
        head = _head(store, agent)
        found = store.records(agent, after, limit) if limit else []
    rows = (
        {
            "seq": one.seq,
            "before": one.before.hex(),
            "chain": one.after.hex(),
            "record": base64.b64encode(one.packed).decode(),
        }
        for one in found
    )
    return _lines((head, *rows))


def readings_page(path: Path, agent: str, question: Question) -> Answer:
    """GET /api/readings?after=SEQ&limit=N: a head line, then readings past SEQ in the order stored."""
    only_known(question, "after", "limit")
    after = whole_number(question, "after", 0, FAR)
    limit = whole_number(question, "limit", DEFAULT_LIMIT, MOST)
    with Store.open(path, read_only=True) as store:
        head = _head(store, agent)
        found = store.readings_after(agent, after, limit)
    rows = ({"seq": seq, "at_ns": r.at_ns, "name": r.name, "value": r.value} for seq, r in found)
    return _lines((head, *rows))


def home_summary(
    home: Home, agent: str, sessions: Iterable[Session], version: str, known: Mapping[str, str]
) -> dict[str, Any]:
    """What GET /api/home says: the home as this agent read it. known: the certificates of agents it met."""
    return {
        "home": home.name,
        "agent": agent,
        "version": version,
        "known": dict(known),
        "nodes": [
            {"name": n.name, "kind": n.kind, "address": n.address, "agent": n.agent, "room": n.room}
            for n in home.nodes.values()
        ],
        "links": [
            {"name": k.name, "near": k.near, "far": k.far, "kind": k.kind, "medium": k.medium}
            for k in home.links
        ],
        "sessions": [
            {
                "agent": s.key.agent,
                "target": s.key.target,
                "method": s.key.method,
                "links": [k.name for k in s.path.links],
            }
            for s in sessions
        ],
    }


class OpenRecords:
    """GET /api/open. now: the records of the open minutes; newest: the same with what nobody has answered so
    far as lost, for a look at the newest seconds (unanswered=lost)."""

    def __init__(self, now: Callable[[], Iterable[Record]], newest: Callable[[], Iterable[Record]]) -> None:
        self._now, self._newest = now, newest

    async def answer(self, question: Question) -> Answer:
        """The records, packed, a line each."""
        only_known(question, "unanswered")
        asked = question.query.get("unanswered")
        if asked not in (None, "lost"):
            raise RefusedError(400, f"unanswered={asked[:40]!r}; known: lost")
        records = self._now() if asked is None else self._newest()
        lines = [json.dumps({"record": base64.b64encode(pack((settle(r),))).decode()}) for r in records]
        return Answer(body="".join(f"{line}\n" for line in lines).encode(), content_type=NDJSON)
