"""A small home's store of several days: packed hours as a daemon leaves them, slow ones over an element."""

import random
from array import array
from collections.abc import Sequence

from msgspec.structs import replace

from support.homes import home_of
from support.records import lifelike
from whichhop.compare.suspects.elements import elements_of
from whichhop.model import Home, Reading, Record, SessionKey, derive_sessions
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.chain import pack_seqs
from whichhop.store.store import Store
from whichhop.wire.ntp64 import settle
from whichhop.wire.packed import pack

SHORT_TEXT = """\
home: Short House
plan: {down_mbps: 100, up_mbps: 20}
nodes:
  router: {kind: router, address: 192.0.2.1}
  attic:  {kind: mesh-node, address: 192.0.2.2}
  desk:   {kind: host, address: 192.0.2.20, agent: true}
links:
  - {join: [desk, attic], kind: wireless}
  - {join: [attic, router], kind: backhaul, medium: radio}
  - {join: [router, provider-edge], kind: access, medium: cable}
targets:
  provider-edge: 198.51.100.1
"""
FIRST_HOUR = 20_454 * 24
"""A midnight, hours since 1970."""
A_MINUTE = 24


def short_house(old: str = "", new: str = "") -> Home:
    """A host, a mesh node, a router and the line; with one piece of its text replaced."""
    assert old in SHORT_TEXT
    return home_of(SHORT_TEXT.replace(old, new, 1))


def moved(record: Record, minute: int, more_ns: int = 0) -> Record:
    """A record as that of another minute, each round trip longer by as much."""
    by = (minute - record.minute) * NS_PER_MINUTE
    samples = replace(
        record.samples,
        sent_ns=array("q", [v + by for v in record.samples.sent_ns]),
        rtt_ns=array("q", [v + more_ns if v > 0 else v for v in record.samples.rtt_ns]),
    )
    return replace(record, minute=minute, samples=samples)


def fill(store: Store, home: Home, hours: int, slow: Sequence[tuple[str, int, int]]) -> None:
    """Hours of every session, and a counter of an idle line. slow: element, first minute, end; 60 ms each."""
    rng = random.Random(11)
    sessions = derive_sessions(home)
    column = {e.name: e.column for e in elements_of(home, sessions)}
    chain = store.db.number(
        "INSERT INTO chain (agent, origin, own, last_seq, head)"
        " VALUES ('pool', x'00', 0, 0, x'00') RETURNING id"
    )
    with store.transaction():
        for place, session in enumerate(sessions):
            key = session.key
            base = 1_500_000 * len(session.path.links)
            pool = [
                settle(lifelike(rng, FIRST_HOUR * 60 + m, key, base_ns=base, count=A_MINUTE))
                for m in range(120)
            ]
            number = store.db.number(
                "INSERT INTO session (agent, target, method) VALUES (?, ?, ?) RETURNING id",
                (key.agent, key.target, key.method),
            )
            for hour in range(hours):
                records = [
                    moved(
                        pool[(hour * 7 + m) % 120],
                        (FIRST_HOUR + hour) * 60 + m,
                        sum(
                            60_000_000
                            for element, begin, end in slow
                            if begin <= hour * 60 + m < end and place in column[element]
                        ),
                    )
                    for m in range(60)
                ]
                after = (hour * len(sessions) + place) * 60
                seqs = list(range(after + 1, after + 61))
                store.db.execute(
                    "INSERT INTO hour (chain, session, hour, first_seq, last_seq, seqs, before, body)"
                    " VALUES (?, ?, ?, ?, ?, ?, x'00', ?)",
                    (chain, number, FIRST_HOUR + hour, seqs[0], seqs[-1], pack_seqs(seqs), pack(records)),
                )
    store.append_all(
        (),
        (
            Reading(
                at_ns=(FIRST_HOUR * 60 + m) * NS_PER_MINUTE, agent="desk", name=name, value=float(m) * 7_500
            )
            for m in range(hours * 60)
            for name in ("wan_rx_bytes", "wan_tx_bytes")
        ),
    )


def late(key: SessionKey, minute: int) -> Record:
    """A record that an agent hands over later: half a minute that nobody had."""
    return lifelike(random.Random(5), FIRST_HOUR * 60 + minute, key, count=3)
