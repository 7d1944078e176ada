"""Puts records and readings into the store, each once and linked into its agent's chain; and open minutes."""

import math
from collections.abc import Callable, Iterable, Sequence

from msgspec import Struct

from whichhop.errors import DataError, RemoteError
from whichhop.model import ABSENT, Reading, Record, SessionKey
from whichhop.store.chain import genesis, link
from whichhop.store.db import Database
from whichhop.wire.packed import canonical, pack, unpack, unpack_one

EMPTY_START = -1
"""Stands for the first send time of a record without samples."""


class Linked(Struct, frozen=True, kw_only=True):
    """A record as it travels: its place, the link it builds on, the link after it, its packed bytes."""

    seq: int
    before: bytes
    after: bytes
    packed: bytes


def start_of(record: Record) -> int:
    """With session and minute this names a record: a restarted daemon may write a minute's second part."""
    return record.samples.sent_ns[0] if len(record.samples) else EMPTY_START


MOST_CHAINS = 100
"""Stores that one other agent may have begun; each is a disk that was lost or wiped."""
MOST_SESSIONS = 2_000
"""Of one other agent; a home of 200 nodes with four methods each has fewer."""
MOST_GAUGES = 20_000
"""Names of readings of one other agent; a modem of 300 channels has some 3,000, links some hundred."""


def _must_be_measured(record: Record, agent: str, seq: int) -> None:
    """RemoteError for what no measurement gives: an answer before its question, a wait below zero."""
    columns = record.samples
    for values in (columns.rtt_ns, columns.queue_ns):
        if min(filter(ABSENT.__ne__, values), default=0) < 0:
            raise RemoteError(f"agent {agent}: record {seq} has a round trip or wait below zero; not stored")


class Writer:
    """Remembers names' numbers and the last packed hour looked into, so that bulk writing stays quick."""

    def __init__(self, db: Database, origin: Callable[[], bytes]) -> None:
        self._db = db
        self._origin = origin
        self._sessions: dict[SessionKey, int] = {}
        self._gauges: dict[tuple[str, str], int] = {}
        self._looked: tuple[int, int, frozenset[tuple[int, int]]] | None = None

    def forget(self) -> None:
        """Drop what is remembered: after a transaction that failed, and after hours were packed."""
        self._sessions.clear()
        self._gauges.clear()
        self._looked = None

    def own_chain(self, agent: str) -> int:
        """The chain of an agent's records that grows in this file, begun when there is none."""
        rows = self._db.execute("SELECT id FROM chain WHERE agent = ? AND own = 1", (agent,))
        return int(rows[0][0]) if rows else self._begin(agent, self._origin(), own=True)

    def collected_chain(self, agent: str, origin: bytes) -> int:
        """The copy of another agent's chain of that origin, begun when there is none."""
        rows = self._db.execute("SELECT id, own FROM chain WHERE agent = ? AND origin = ?", (agent, origin))
        if rows and rows[0][1]:
            raise RemoteError(
                f"agent {agent} offers this store's own records; an agent need not collect itself"
            )
        if rows:
            return int(rows[0][0])
        began = self._db.number("SELECT count(*) FROM chain WHERE agent = ? AND own = 0", (agent,))
        if began >= MOST_CHAINS:
            raise RemoteError(f"agent {agent} began a new store {began} times; look after its disk")
        return self._begin(agent, origin, own=False)

    def _begin(self, agent: str, origin: bytes, *, own: bool) -> int:
        return self._db.number(
            "INSERT INTO chain (agent, origin, own, last_seq, head) VALUES (?, ?, ?, 0, ?) RETURNING id",
            (agent, origin, own, genesis(agent, origin)),
        )

    def append(self, record: Record) -> bool:
        """Add one record at the end of its agent's own chain; False when it is there already."""
        body = canonical(record)
        chain = self.own_chain(record.session.agent)
        session = self._session(record.session)
        if self._held(session, record):
            return False
        ((last_seq, head),) = self._db.execute("SELECT last_seq, head FROM chain WHERE id = ?", (chain,))
        self._insert((chain, last_seq + 1), session, record, head, pack((record,)))
        self._advance(chain, last_seq + 1, link(head, body))
        return True

    def adopt(self, chain: int, offered: Linked) -> bool:
        """Add one record of another agent at its place in the copy of its chain; False when it is there.

        RemoteError when the chain does not hold: a link that does not follow from the one before.
        """
        agent, last_seq, head = self._db.execute(
            "SELECT agent, last_seq, head FROM chain WHERE id = ?", (chain,)
        )[0]
        if offered.seq <= last_seq:
            return False
        record, body = unpack_one(offered.packed)
        if record.session.agent != agent:
            raise RemoteError(f"agent {agent} offers record {offered.seq} of agent {record.session.agent}")
        if link(offered.before, body) != offered.after:
            raise RemoteError(f"agent {agent}: record {offered.seq} does not match its link; not stored")
        if offered.seq == last_seq + 1:
            if offered.before != head:
                raise RemoteError(
                    f"agent {agent}: record {offered.seq} does not follow {last_seq}, collected before; "
                    "its store was changed"
                )
        else:
            self._skip(chain, last_seq, offered.seq, offered.before)
        _must_be_measured(record, agent, offered.seq)
        self._must_be_few(record.session)
        session = self._session(record.session)
        held = self._held(session, record)
        if held:  # came by file before; its place in the copy stays empty
            self._skip(chain, offered.seq - 1, offered.seq + 1, offered.after)
        else:
            self._insert((chain, offered.seq), session, record, offered.before, offered.packed)
        self._advance(chain, offered.seq, offered.after)
        return not held

    def _must_be_few(self, session: SessionKey) -> None:
        """RemoteError where another agent offers one session too many."""
        if session in self._sessions or self._number_of(session):
            return
        have = self._db.number("SELECT count(*) FROM session WHERE agent = ?", (session.agent,))
        if have >= MOST_SESSIONS:
            raise RemoteError(f"agent {session.agent} offers more than {MOST_SESSIONS} sessions; not stored")

    def _number_of(self, session: SessionKey) -> int:
        return self._db.number(
            "SELECT id FROM session WHERE agent = ? AND target = ? AND method = ?",
            (session.agent, session.target, str(session.method)),
        )

    def adopt_reading(self, reading: Reading) -> bool:
        """Add one reading of another agent; RemoteError where it has more names than an agent has."""
        key = (reading.agent, reading.name)
        if key not in self._gauges:
            have = self._db.number("SELECT count(*) FROM gauge WHERE agent = ? AND name <> ?", key)
            if have >= MOST_GAUGES:
                raise RemoteError(f"agent {reading.agent} offers more than {MOST_GAUGES} kinds of readings")
        return self.append_reading(reading)

    def _skip(self, chain: int, after_seq: int, next_seq: int, before: bytes) -> None:
        """Note places that stay empty, joined to empty ones just before them."""
        earlier = self._db.execute(
            "SELECT after_seq FROM gap WHERE chain = ? AND next_seq = ?", (chain, after_seq + 1)
        )
        if earlier:
            self._db.execute("DELETE FROM gap WHERE chain = ? AND next_seq = ?", (chain, after_seq + 1))
            after_seq = earlier[0][0]
        self._db.execute("INSERT INTO gap VALUES (?, ?, ?, ?)", (chain, after_seq, next_seq, before))

    def _advance(self, chain: int, last_seq: int, head: bytes) -> None:
        self._db.execute("UPDATE chain SET last_seq = ?, head = ? WHERE id = ?", (last_seq, head, chain))

    def _insert(
        self, place: tuple[int, int], session: int, record: Record, before: bytes, packed: bytes
    ) -> None:
        self._db.execute(
            "INSERT INTO minute VALUES (?, ?, ?, ?, ?, ?, ?)",
            (*place, session, record.minute, start_of(record), before, packed),
        )

    def _session(self, key: SessionKey) -> int:
        if key not in self._sessions:
            names = (key.agent, key.target, str(key.method))
            self._db.execute("INSERT OR IGNORE INTO session (agent, target, method) VALUES (?, ?, ?)", names)
            self._sessions[key] = self._db.number(
                "SELECT id FROM session WHERE agent = ? AND target = ? AND method = ?", names
            )
        return self._sessions[key]

    def _held(self, session: int, record: Record) -> bool:
        name = (record.minute, start_of(record))
        if self._db.execute(
            "SELECT 1 FROM minute WHERE session = ? AND minute = ? AND start_ns = ?", (session, *name)
        ):
            return True
        hour = record.minute // 60
        if self._looked is None or self._looked[:2] != (session, hour):
            blocks = self._db.execute("SELECT body FROM hour WHERE session = ? AND hour = ?", (session, hour))
            names = frozenset((r.minute, start_of(r)) for (body,) in blocks for r in unpack(body))
            self._looked = (session, hour, names)
        return name in self._looked[2]

    def append_reading(self, reading: Reading) -> bool:
        """Add one reading; False when that value's instant is there already."""
        if not math.isfinite(reading.value):
            raise DataError(
                f"reading {reading.name} of {reading.agent} is {reading.value}; only numbers are kept"
            )
        key = (reading.agent, reading.name)
        if key not in self._gauges:
            self._db.execute("INSERT OR IGNORE INTO gauge (agent, name) VALUES (?, ?)", key)
            self._gauges[key] = self._db.number("SELECT id FROM gauge WHERE agent = ? AND name = ?", key)
        added = self._db.execute(
            "INSERT OR IGNORE INTO reading (gauge, at_ns, value) VALUES (?, ?, ?) RETURNING seq",
            (self._gauges[key], reading.at_ns, reading.value),
        )
        return bool(added)

    def append_all(self, records: Iterable[Record], readings: Iterable[Reading] = ()) -> int:
        """Add all or none; how many were new."""
        try:
            with self._db.transaction():
                new = sum([self.append(r) for r in records])
                return new + sum([self.append_reading(r) for r in readings])
        except BaseException:
            self.forget()
            raise


def put_draft(db: Database, records: Sequence[Record]) -> None:
    """Keep the open minutes as they stand, in place of what was kept before."""
    by_session: dict[SessionKey, list[Record]] = {}
    for record in records:
        by_session.setdefault(record.session, []).append(record)
    with db.transaction():
        db.execute("DELETE FROM draft")
        for same in by_session.values():
            db.execute("INSERT INTO draft (body) VALUES (?)", (pack(same),))


def take_drafts(db: Database, writer: Writer) -> int:
    """Make records of what a killed agent left; how many. Those that it had closed after all stay single."""
    with db.transaction():
        bodies = [body for (body,) in db.execute("SELECT body FROM draft")]
        db.execute("DELETE FROM draft")
        made = 0
        for body in bodies:
            try:
                made += sum([writer.append(record) for record in unpack(body)])
            except DataError:
                continue  # a draft of a version that packed otherwise: half a minute is not worth a store
        return made
