"""Gets records and readings out of the store: by place for other agents, by time for the comparer."""

from collections.abc import Callable, Iterable, Iterator, Sequence

from whichhop.model import Method, Reading, Record, SessionKey
from whichhop.outside import INT64
from whichhop.store.chain import Chain, genesis, in_order, link
from whichhop.store.db import Database, Value
from whichhop.store.write import Linked, start_of
from whichhop.wire.packed import pack_canonical, take_block, unfold

FOREVER = 1 << 40
"""A minute later than any."""
Unpack = Callable[[bytes, int, int], Iterable[Record]]
"""Gives the records of a block whose minute is a first one or later and before an end."""
_ROW_OCTETS = 100
"""A row's numbers and links beside its packed bytes; a reading as a whole has half as many."""


def unpacked_within(packed: bytes, from_minute: int, to_minute: int) -> Sequence[Record]:
    """The records of a block in some minutes; `to_minute` is not included."""
    return take_block(unfold(packed)).records(from_minute, to_minute)


class Reads:
    """What a store is asked. Every method raises StoreError as the store's own do."""

    db: Database

    def _chains(self) -> list[tuple[int, Chain]]:
        """Every chain with its number in the file, oldest first."""
        rows = self.db.execute(
            "SELECT id, agent, origin, own, last_seq, head, readings_seq FROM chain ORDER BY id"
        )
        return [
            (
                number,
                Chain(
                    agent=agent,
                    origin=origin,
                    own=bool(own),
                    last_seq=last_seq,
                    head=head,
                    readings_seq=readings_seq,
                ),
            )
            for number, agent, origin, own, last_seq, head, readings_seq in rows
        ]

    def _linked(self, chain: int, after_seq: int, limit: int) -> list[Linked]:
        """At most `limit` records past `after_seq`, with their links.

        Inside packed hours links are not stored; the walk begins at the hour's first record and counts on.
        """
        agent, origin = self.db.execute("SELECT agent, origin FROM chain WHERE id = ?", (chain,))[0]
        begin = self.db.number(
            "SELECT max(seq) FROM (SELECT max(first_seq) AS seq FROM hour WHERE chain = ? AND first_seq <= ?"
            " UNION ALL SELECT max(seq) FROM minute WHERE chain = ? AND seq <= ?)",
            (chain, after_seq + 1, chain, after_seq + 1),
        )
        out: list[Linked] = []
        here = genesis(agent, origin)
        gaps: dict[int, bytes] = dict(
            self.db.execute("SELECT next_seq, before FROM gap WHERE chain = ?", (chain,))
        )
        for kept in in_order(self.db, chain, max(begin - 1, 0)):
            before = kept.before or gaps.get(kept.seq, here)
            here = link(before, kept.body)
            if kept.seq > after_seq:
                packed = kept.packed or pack_canonical(kept.body)
                out.append(Linked(seq=kept.seq, before=before, after=here, packed=packed))
                if len(out) == limit:
                    break
        return out

    def octets_of(self, agent: str) -> int:
        """About how many octets an agent's records and readings take."""
        octets = 0
        for table in ("minute", "hour"):
            octets += self.db.number(
                f"SELECT coalesce(sum(length(body)), 0) + ? * count(*) FROM {table}"  # noqa: S608 # one of two words
                " WHERE chain IN (SELECT id FROM chain WHERE agent = ?)",
                (_ROW_OCTETS, agent),
            )
        return octets + self.db.number(
            "SELECT ? * count(*) FROM reading WHERE gauge IN (SELECT id FROM gauge WHERE agent = ?)",
            (_ROW_OCTETS // 2, agent),
        )

    def sessions(self) -> list[SessionKey]:
        """Every session with a record here."""
        rows = self.db.execute("SELECT agent, target, method FROM session ORDER BY agent, target, method")
        return [SessionKey(agent=a, target=t, method=Method(m)) for a, t, m in rows]

    def span(self, until_minute: int = FOREVER) -> tuple[int, int] | None:
        """The first and the last minute of which anything is kept (whole hours where packed).

        until_minute: what is dated later is passed over.
        """
        rows = self.db.execute(
            "SELECT min(low), max(high) FROM"
            " (SELECT min(minute) AS low, max(minute) AS high FROM minute WHERE minute <= ?"
            " UNION ALL SELECT min(hour) * 60, max(hour) * 60 + 59 FROM hour WHERE hour * 60 <= ?)",
            (until_minute, until_minute),
        )
        return None if rows[0][0] is None else (int(rows[0][0]), int(rows[0][1]))

    def _session_number(self, key: SessionKey) -> int:
        return self.db.number(
            "SELECT id FROM session WHERE agent = ? AND target = ? AND method = ?",
            (key.agent, key.target, str(key.method)),
        )

    def blocks(self, key: SessionKey, from_minute: int = 0, to_minute: int = FOREVER) -> Iterator[bytes]:
        """The packed bytes of a session, hour by hour and then minute by minute; `to_minute` is not included.

        The first and the last hour are given whole: a reader drops the minutes it did not ask for.
        """
        session = self._session_number(key)
        hours = (session, from_minute // 60, -(-to_minute // 60))
        for (body,) in self.db.stream(
            "SELECT body FROM hour WHERE session = ? AND hour >= ? AND hour < ? ORDER BY hour, first_seq",
            hours,
        ):
            yield body
        for (body,) in self.db.stream(
            "SELECT body FROM minute WHERE session = ? AND minute >= ? AND minute < ?"
            " ORDER BY minute, start_ns",
            (session, from_minute, to_minute),
        ):
            yield body

    def has_minutes(self, key: SessionKey, from_minute: int, to_minute: int) -> bool:
        """Whether any of a session's minutes is not packed into its hour; `to_minute` is not included."""
        values = (self._session_number(key), from_minute, to_minute)
        found = "SELECT 1 FROM minute WHERE session = ? AND minute >= ? AND minute < ? LIMIT 1"
        return bool(self.db.execute(found, values))

    def session_records(
        self,
        key: SessionKey,
        from_minute: int = 0,
        to_minute: int = FOREVER,
        unpacked: Unpack = unpacked_within,
    ) -> Iterator[Record]:
        """A session's records in the order of time, an hour at a time in memory.

        unpacked: who has numpy takes `columns.records_within`, of an hour in a quarter of the time.
        """
        session = self._session_number(key)
        hours = self.db.execute(
            "SELECT hour FROM hour WHERE session = ? AND hour >= ? AND hour < ?"
            " UNION SELECT minute / 60 FROM minute WHERE session = ? AND minute >= ? AND minute < ?"
            " ORDER BY 1",
            (session, from_minute // 60, -(-to_minute // 60), session, from_minute, to_minute),
        )
        for (hour,) in hours:
            packed = self.db.execute("SELECT body FROM hour WHERE session = ? AND hour = ?", (session, hour))
            packed += self.db.execute(
                "SELECT body FROM minute WHERE session = ? AND minute >= ? AND minute < ?",
                (session, max(hour * 60, from_minute), min(hour * 60 + 60, to_minute)),
            )
            found = [r for (body,) in packed for r in unpacked(body, from_minute, to_minute)]
            yield from sorted(found, key=lambda r: (r.minute, start_of(r)))

    def _readings(
        self,
        *,
        agent: str | None = None,
        from_ns: int = 0,
        to_ns: int = INT64,
        begins: str = "",
        but: Sequence[str] = (),
    ) -> Iterator[Reading]:
        """Readings in the order of time, of one agent or of all; `to_ns` is not included.

        begins: only those whose name begins so. but: not those of these names.
        """
        places = ", ".join("?" * len(but))
        rows = self.db.stream(
            "SELECT at_ns, gauge, value FROM reading JOIN gauge ON gauge.id = gauge"  # noqa: S608 # places
            " WHERE at_ns >= ? AND at_ns < ? AND (? IS NULL OR agent = ?) AND substr(name, 1, ?) = ?"
            + f" AND name NOT IN ({places}) ORDER BY at_ns, agent, name",
            (max(from_ns, -INT64), min(to_ns, INT64), agent, agent, len(begins), begins, *but),
        )
        # Each name is one text for all of its readings: texts of their own are most of a day's memory.
        known: dict[int, tuple[str, str]] = {}
        for at_ns, gauge, value in rows:
            if gauge not in known:
                known = {
                    k: (of, name) for k, of, name in self.db.execute("SELECT id, agent, name FROM gauge")
                }
            of, name = known[gauge]
            yield Reading(at_ns=at_ns, agent=of, name=name, value=value)

    def readings_after(self, agent: str, after_seq: int, limit: int) -> list[tuple[int, Reading]]:
        """At most `limit` of an agent's readings past a place, with their places, for other agents."""
        values: tuple[Value, ...] = (agent, after_seq, limit)
        rows = self.db.execute(
            "SELECT seq, at_ns, name, value FROM reading JOIN gauge ON gauge.id = gauge"
            " WHERE agent = ? AND seq > ? ORDER BY seq LIMIT ?",
            values,
        )
        return [
            (seq, Reading(at_ns=at_ns, agent=agent, name=name, value=value))
            for seq, at_ns, name, value in rows
        ]

    def readings(
        self, *, agent: str | None = None, from_ns: int = 0, to_ns: int = INT64
    ) -> Iterator[Reading]:
        """Readings by time, of one agent or of all."""
        return self._readings(agent=agent, from_ns=from_ns, to_ns=to_ns)

    def readings_but(self, names: Sequence[str], *, from_ns: int, to_ns: int) -> Iterator[Reading]:
        """Readings by time, of all agents, but those of these names."""
        return self._readings(from_ns=from_ns, to_ns=to_ns, but=names)

    def readings_like(self, begins: str, *, from_ns: int, to_ns: int) -> Iterator[Reading]:
        """Readings by time, of all agents, whose name begins so."""
        return self._readings(from_ns=from_ns, to_ns=to_ns, begins=begins)

    def chains(self) -> list[Chain]:
        """Where every chain stands."""
        return [chain for _, chain in self._chains()]

    def own_chain(self, agent: str) -> Chain | None:
        """The chain that grows here for an agent; None before its first record."""
        return next((c for c in self.chains() if c.agent == agent and c.own), None)

    def collected_chain(self, agent: str, origin: bytes) -> Chain | None:
        """The copy of another agent's chain; None before anything was collected."""
        return next((c for c in self.chains() if (c.agent, c.origin) == (agent, origin)), None)

    def records(self, agent: str, after_seq: int = 0, limit: int = 1000) -> list[Linked]:
        """An agent's own records past a place in its chain, with their links; empty when there are none."""
        for number, chain in self._chains():
            if chain.agent == agent and chain.own:
                return self._linked(number, after_seq, limit)
        return []

    def link_at(self, origin: bytes, seq: int) -> bytes | None:
        """The link of the chain with that origin after its record `seq`; None when it is not kept here."""
        for number, chain in self._chains():
            if chain.origin == origin:
                found = self._linked(number, seq - 1, 1)
                return found[0].after if found and found[0].seq == seq else None
        return None
