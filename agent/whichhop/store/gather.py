"""All there is to compare right now: the agents' settled records, collected, and their open minutes."""

import base64
import json
from collections.abc import Mapping
from dataclasses import dataclass

from whichhop.errors import DataError, RemoteError
from whichhop.model import Record
from whichhop.store.collect import Collected, Fetch, Progress, collect
from whichhop.store.store import Store
from whichhop.wire.packed import unpack


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """What came of asking every agent: how each answered, and the minutes that have not settled yet."""

    agents: tuple[Collected, ...]
    open_records: tuple[Record, ...]


def _open_of(agent: str, base: str, token: str, fetch: Fetch) -> list[Record]:
    body = fetch(f"{base}/api/open", token)
    try:
        lines = [json.loads(line)["record"] for line in body.splitlines()]
        records = [r for text in lines for r in unpack(base64.b64decode(text, validate=True))]
    except (ValueError, KeyError, TypeError, RecursionError, DataError) as why:
        raise RemoteError(f"agent {agent}: its open minutes cannot be read ({why})") from None
    if any(r.session.agent != agent for r in records):
        raise RemoteError(f"agent {agent} offers open minutes of another agent; check the addresses")
    return records


def gather(
    store: Store, addresses: Mapping[str, str], token: str, fetch: Fetch, progress: Progress | None = None
) -> Gathered:
    """Ask each agent (name to base address) for its open minutes, then for all that has settled.

    In that order, so that a minute that settles meanwhile is not missed, only left out of the open ones.
    An agent that is down is told in its result; the others are asked all the same.
    """
    still_open: list[Record] = []
    for agent, base in addresses.items():
        try:
            still_open += _open_of(agent, base, token, fetch)
        except RemoteError:
            continue  # the settled records' result tells why this agent does not answer
    results = collect(store, addresses, token, fetch, *([progress] if progress else []))
    settled = {
        (key, record.minute)
        for key in {r.session for r in still_open}
        for record in store.session_records(key, min(r.minute for r in still_open))
    }
    left = tuple(r for r in still_open if (r.session, r.minute) not in settled)
    return Gathered(agents=tuple(results), open_records=left)
