"""Gathers the other agents' records into this store, page by page, and their open minutes."""

from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from typing import Annotated, Generic, TypeVar

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from whichhop import outside
from whichhop.errors import DataError, RemoteError
from whichhop.model import Reading, Record
from whichhop.model.chain_signature import ChainSignature
from whichhop.outside import SAME_VERSION, bad, octets_of_base64, typed
from whichhop.printable import shown
from whichhop.store.store import Store
from whichhop.store.write import Linked
from whichhop.wire.packed import MOST_SAMPLES, unpack

Fetch = Callable[[str, str], bytes]
"""Gives the body at an address, shown a bearer token; RemoteError when there is none (net/http_client.py)."""

PAGE = 500
_FAR = 2**62
_LINK_OCTETS = 32
_ORIGIN_OCTETS = 16
MOST_RECORD = 2 << 20
"""Octets of one packed record; a thousand packets a second, none like another, are some 600,000 a minute."""
_MOST_LINE = 2 * MOST_RECORD
_SMALL_PAGE = 1 << 20
"""Octets; a page that is neither full nor larger is the news of some seconds, and is not weighed."""
Row = TypeVar("Row", "_Record", "_Reading")
Place = Annotated[int, msgspec.Meta(ge=0, le=_FAR)]
Instant = Annotated[int, msgspec.Meta(ge=-outside.INT64, le=outside.INT64)]

MOST_OPEN = 10_000
"""Open minutes of one agent: some of each session."""


class _Head(msgspec.Struct):
    agent: str
    origin: str | None
    last_seq: Place
    signed: ChainSignature | None = None


class _Record(msgspec.Struct):
    seq: Place
    before: str
    chain: str
    record: str


class _Reading(msgspec.Struct):
    seq: Place
    at_ns: Instant
    name: str
    value: Annotated[float, msgspec.Meta(ge=-outside.LARGEST_VALUE, le=outside.LARGEST_VALUE)]


class Bounds(Struct, frozen=True, kw_only=True):
    """What one other agent can make us do.

    most_octets: kept of its records and readings, whatever it offers. out_of_time: asked after each page;
    True ends the collection of this agent, whose rest comes the next time.
    """

    most_octets: int = 1_000_000_000
    out_of_time: Callable[[], bool] = lambda: False


class Collected(Struct, frozen=True, kw_only=True):
    """What came of asking one agent; `trouble` is empty when all went well."""

    agent: str
    records: int
    readings: int
    trouble: str = ""


class _Page(Struct, Generic[Row], frozen=True, kw_only=True):
    origin: bytes | None
    last_seq: int
    signed: ChainSignature | None
    rows: list[Row]
    octets: int


Progress = Callable[[str, int, int], None]
"""Told the agent, the place reached and the last place."""


def quiet(agent: str, place: int, last: int) -> None:
    """Tell nobody."""


def collect(
    store: Store,
    addresses: Mapping[str, str],
    token: str,
    fetch: Fetch,
    progress: Progress = quiet,
    *,
    bounds: Callable[[], Bounds] = Bounds,
) -> list[Collected]:
    """Ask each agent (name to base address, "http://192.0.2.2:8620") for what is new.

    An agent that is down, or answers wrongly, is told in its result and the others are asked all the same.
    bounds: gives each agent's as its turn comes. A StoreError is ours and is raised.
    """
    return [
        _collect_one(store, _Remote(agent=agent, base=base, token=token, fetch=fetch), progress, bounds())
        for agent, base in addresses.items()
    ]


class _Remote(Struct, frozen=True, kw_only=True):
    agent: str
    base: str
    token: str
    fetch: Fetch

    def page(self, what: str, form: type[Row], after: int, limit: int = PAGE) -> _Page[Row]:
        body = self.fetch(f"{self.base}/api/{what}?after={after}&limit={limit}", self.token)
        place = f"agent {self.agent} answers what cannot be read"
        lines = body.splitlines()
        if not 1 <= len(lines) <= limit + 1:
            raise outside.bad(place, f"{len(lines)} lines", outside.SAME_VERSION)
        head = outside.typed(lines[0], place, _Head, most=_MOST_LINE)
        rows: list[Row] = [outside.typed(line, place, form, most=_MOST_LINE) for line in lines[1:]]
        if head.agent != self.agent:
            raise RemoteError(
                f"agent {self.agent} says it is {shown(head.agent)}; check the addresses in the home file"
            )
        for before, here in pairwise([after, *(row.seq for row in rows)]):
            if not before < here < _FAR:
                raise outside.bad(place, f"place {here} after {before}", outside.SAME_VERSION)
        origin = head.origin
        return _Page(
            origin=None if origin is None else outside.octets_of_hex(origin, place, length=_ORIGIN_OCTETS),
            last_seq=head.last_seq,
            signed=head.signed,
            rows=rows,
            octets=len(body),
        )

    def pages(self, what: str, form: type[Row], after: int, origin: bytes) -> Iterator[_Page[Row]]:
        while (page := self.page(what, form, after)).rows:
            if page.origin != origin:
                raise RemoteError(f"agent {self.agent} began a new store meanwhile; collect again")
            yield page
            if len(page.rows) < PAGE:
                return  # what came in since is the next collection's; one that drips for ever ends here
            after = page.rows[-1].seq


def _collect_one(store: Store, remote: _Remote, progress: Progress, bounds: Bounds) -> Collected:
    agent = remote.agent
    records = readings = 0
    trouble = ""
    try:
        first = remote.page("records", _Record, 0, limit=0)
        origin = first.origin
        if origin is not None:
            chain = store.collected_chain(agent, origin)
            for page in remote.pages("records", _Record, chain.last_seq if chain else 0, origin):
                _weigh(store, agent, page, bounds)
                records += store.adopt(agent, origin, [_linked(row, agent) for row in page.rows])
                progress(agent, page.rows[-1].seq, page.last_seq)
            for told in remote.pages("readings", _Reading, chain.readings_seq if chain else 0, origin):
                _weigh(store, agent, told, bounds)
                readings += store.adopt(agent, origin, (), [_reading(row, agent) for row in told.rows])
            if first.signed is not None:
                store.put_signature(agent, origin, first.signed)
    except (RemoteError, DataError) as told_trouble:
        trouble = str(told_trouble)
        if agent not in trouble:
            trouble = f"agent {agent}: {trouble}"
    return Collected(agent=agent, records=records, readings=readings, trouble=trouble)


def _weigh(store: Store, agent: str, page: _Page[Row], bounds: Bounds) -> None:
    """RemoteError where a page is too much to keep; small ones pass, for weighing reads the whole store."""
    if bounds.out_of_time():
        raise RemoteError(f"agent {agent} has more than can be had at once; the rest comes the next time")
    if len(page.rows) < PAGE and page.octets < _SMALL_PAGE:
        return
    held = store.octets_of(agent)
    if held + page.octets > bounds.most_octets:
        raise RemoteError(
            f"agent {agent} offers more than the {bounds.most_octets / 1e6:.0f} MB that are kept of one "
            "agent; raise store_mb under limits in the home file, or look what it measures"
        )


def _linked(row: _Record, agent: str) -> Linked:
    place = f"agent {agent}, record {row.seq}"
    return Linked(
        seq=row.seq,
        before=outside.octets_of_hex(row.before, place, length=_LINK_OCTETS),
        after=outside.octets_of_hex(row.chain, place, length=_LINK_OCTETS),
        packed=outside.octets_of_base64(row.record, place, most=MOST_RECORD),
    )


def _reading(row: _Reading, agent: str) -> tuple[int, Reading]:
    name = outside.name(row.name, f"agent {agent}, reading {row.seq}")
    return row.seq, Reading(at_ns=row.at_ns, agent=agent, name=name, value=row.value)


class Gathered(Struct, frozen=True, kw_only=True):
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
