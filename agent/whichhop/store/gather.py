"""All there is to compare right now: the agents' settled records, collected, and their open minutes."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import msgspec

from whichhop.errors import DataError, RemoteError
from whichhop.model import Record
from whichhop.outside import SAME_VERSION, bad, octets_of_base64, typed
from whichhop.store.collect import MOST_RECORD, Bounds, Collected, Fetch, Progress, collect, quiet
from whichhop.store.store import Store
from whichhop.wire.packed import MOST_SAMPLES, unpack

MOST_OPEN = 10_000
"""Open minutes of one agent: some of each session."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gathered:
    """What came of asking every agent: how each answered, and the minutes that have not settled yet."""

    agents: tuple[Collected, ...]
    open_records: tuple[Record, ...]


class _Line(msgspec.Struct):
    record: str


class _SilentError(RemoteError):
    """The agent did not answer at all: asking it for more would only cost the same patience again."""


def open_minutes(agent: str, base: str, token: str, fetch: Fetch) -> list[Record]:
    """An agent's minutes that have not settled; RemoteError when they cannot be had or read."""
    try:
        body = fetch(f"{base}/api/open", token)
    except RemoteError as silent:
        raise _SilentError(str(silent)) from None
    place = f"agent {agent}: its open minutes cannot be read"
    records: list[Record] = []
    samples = 0
    try:
        for line in body.splitlines():
            packed = octets_of_base64(
                typed(line, place, _Line, most=2 * MOST_RECORD).record, place, most=MOST_RECORD
            )
            records += unpack(packed)
            samples += sum(len(r.samples) for r in records[-1:])
            if len(records) > MOST_OPEN or samples > MOST_SAMPLES:
                raise bad(place, f"more than {MOST_OPEN} records or {MOST_SAMPLES} samples", SAME_VERSION)
    except DataError as why:
        raise RemoteError(str(why) if str(why).startswith(place) else f"{place}: {why}") from None
    if any(r.session.agent != agent for r in records):
        raise RemoteError(f"agent {agent} offers open minutes of another agent; check the addresses")
    return records


def gather(
    store: Store,
    addresses: Mapping[str, str],
    token: str,
    fetch: Fetch,
    progress: Progress | None = None,
    *,
    bounds: Callable[[], Bounds] = Bounds,
) -> Gathered:
    """Ask each agent (name to base address) for its open minutes, then for all that has settled.

    In that order, so that a minute that settles meanwhile is not missed, only left out of the open ones.
    An agent that is down, or answers what cannot be used, is told in its result; the others are asked all the
    same. bounds: what one of them may cost, see collect.
    """
    still_open: list[Record] = []
    troubles: dict[str, str] = {}
    silent: dict[str, Collected] = {}
    for agent, base in addresses.items():
        try:
            still_open += open_minutes(agent, base, token, fetch)
        except _SilentError as told:
            silent[agent] = Collected(agent=agent, records=0, readings=0, trouble=str(told))
        except RemoteError as told:
            troubles[agent] = str(told)
    there = {agent: base for agent, base in addresses.items() if agent not in silent}
    collected = {c.agent: c for c in collect(store, there, token, fetch, progress or quiet, bounds=bounds)}
    for agent, trouble in troubles.items():
        collected[agent] = replace(collected[agent], trouble=collected[agent].trouble or trouble)
    results = [silent.get(agent) or collected[agent] for agent in addresses]
    settled = {
        (key, record.minute)
        for key in {r.session for r in still_open}
        for record in store.session_records(key, min(r.minute for r in still_open))
    }
    left = tuple(r for r in still_open if (r.session, r.minute) not in settled)
    return Gathered(agents=tuple(results), open_records=left)
