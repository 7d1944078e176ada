"""Packs past hours together, and drops the oldest records by age and by size, never breaking a chain."""

from itertools import groupby
from operator import itemgetter

from whichhop.model import Record
from whichhop.model.units import NS_PER_MINUTE
from whichhop.store.chain import pack_seqs
from whichhop.store.db import Database
from whichhop.wire.packed import pack, unpack

SETTLED_MINUTES = 2
"""An hour is packed this long after its end, when its last minute's packets are surely accounted for."""

_MOST_IN_BLOCK = 1_000
_MOST_SAMPLES = 400_000  # twice 50 packets/s for an hour, and well inside what a block may unfold to


def pack_hours(db: Database, now_minute: int, most: int | None = None) -> int:
    """Pack each session's rows of past hours into one block; how many blocks were made.

    most: stop after that many. One block of 60 minutes at a packet a second takes 10 ms of work or so. An
    hour is packed in one go: its sessions' rows lie in the same pages, which would be written once for each.
    """
    limit_minute = (now_minute - SETTLED_MINUTES) // 60 * 60
    groups = db.execute(
        "SELECT chain, session, minute / 60 AS hour FROM minute WHERE minute < ?"
        " GROUP BY chain, session, hour ORDER BY hour, chain, session LIMIT ?",
        (limit_minute, -1 if most is None else most),
    )
    made = 0
    for _, of_hour in groupby(groups, key=itemgetter(2)):
        with db.transaction():
            made += sum([_pack_one(db, chain, session, hour) for chain, session, hour in of_hour])
    return made


def _pack_one(db: Database, chain: int, session: int, hour: int) -> int:
    """One block, or several where an hour holds far more records than minutes (odd imports); how many."""
    blocks = 0
    while rows := db.execute(
        "SELECT seq, before, body FROM minute WHERE chain = ? AND session = ? AND minute / 60 = ?"
        " ORDER BY seq LIMIT ?",
        (chain, session, hour, _MOST_IN_BLOCK),
    ):
        records: list[Record] = []
        size = 0
        for _, _, body in rows:
            (record,) = unpack(body)
            size += len(record.samples)
            if records and size > _MOST_SAMPLES:
                break  # not before: what a stranger's records unfold to is held one at a time
            records.append(record)
        seqs = [seq for seq, _, _ in rows[: len(records)]]
        db.execute(
            "INSERT INTO hour (chain, session, hour, first_seq, last_seq, seqs, before, body)"
            " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            (chain, session, hour, seqs[0], seqs[-1], pack_seqs(seqs), rows[0][1], pack(records)),
        )
        db.execute(
            "DELETE FROM minute WHERE chain = ? AND session = ? AND minute / 60 = ? AND seq <= ?",
            (chain, session, hour, seqs[-1]),
        )
        blocks += 1
    return blocks


def used_bytes(db: Database) -> int:
    """Bytes of the file that hold something; freed pages are used again before the file grows."""
    pages = db.number("PRAGMA page_count") - db.number("PRAGMA freelist_count")
    return pages * db.number("PRAGMA page_size")


AHEAD_MINUTES = 24 * 60
"""Dated so far past now, a record was made by a wrong clock: its place in the chain tells its age."""
FOREVER = 2**40


def _first_kept(db: Database, chain: int, from_minute: int, now_minute: int) -> int:
    """The place in a chain up to which all may go, so that what stays is one unbroken run to the head.

    Records need not lie in the order of time (a file imported late), so the cut moves down until no block
    straddles it. One of a time that has not come holds nothing back once what was written after it is too
    old: else an hour of a clock that was ahead would keep all that follows for years.
    """
    last_old = db.number(
        "SELECT max(seq) FROM (SELECT max(last_seq) AS seq FROM hour WHERE chain = ? AND hour * 60 + 59 < ?"
        " UNION ALL SELECT max(seq) FROM minute WHERE chain = ? AND minute < ?)",
        (chain, from_minute, chain, from_minute),
    )
    ahead = now_minute + AHEAD_MINUTES
    young = db.execute(
        "SELECT min(seq) FROM (SELECT min(first_seq) AS seq FROM hour WHERE chain = ?"
        " AND hour * 60 + 59 >= ? AND (hour * 60 <= ? OR last_seq > ?)"
        " UNION ALL SELECT min(seq) FROM minute WHERE chain = ? AND minute >= ?"
        " AND (minute <= ? OR seq > ?))",
        (chain, from_minute, ahead, last_old, chain, from_minute, ahead, last_old),
    )[0][0]
    if young is None:
        return db.number("SELECT last_seq + 1 FROM chain WHERE id = ?", (chain,))
    cut = int(young)
    while lower := db.number(
        "SELECT min(first_seq) FROM hour WHERE chain = ? AND first_seq < ? AND last_seq >= ?",
        (chain, cut, cut),
    ):
        cut = lower
    return cut


def drop_before(db: Database, from_minute: int, now_minute: int = FOREVER) -> int:
    """Drop records and readings older than a minute (packed hours as a whole); how many rows went.

    now_minute: tells which records were dated by a clock that was ahead.
    """
    gone = 0
    with db.transaction():
        for (chain,) in db.execute("SELECT id FROM chain"):
            cut = _first_kept(db, chain, from_minute, now_minute)
            gone += len(
                db.execute("DELETE FROM hour WHERE chain = ? AND last_seq < ? RETURNING id", (chain, cut))
            )
            gone += len(
                db.execute("DELETE FROM minute WHERE chain = ? AND seq < ? RETURNING seq", (chain, cut))
            )
            db.execute("DELETE FROM gap WHERE chain = ? AND next_seq <= ?", (chain, cut))
        limit_ns, ahead_ns = (
            max(-(2**63), min(minute * NS_PER_MINUTE, 2**63 - 1))
            for minute in (from_minute, now_minute + AHEAD_MINUTES)
        )
        gone += len(
            db.execute(
                "DELETE FROM reading WHERE at_ns < ? OR (at_ns > ? AND seq <"
                " (SELECT coalesce(max(seq), 0) FROM reading WHERE at_ns < ?)) RETURNING seq",
                (limit_ns, ahead_ns, limit_ns),
            )
        )
    if gone:
        db.give_back()
    return gone


def drop_to_size(db: Database, limit_bytes: int, now_minute: int = FOREVER) -> int:
    """Drop the oldest hours until the file's content fits; how many rows went. The last hour always stays."""
    gone, after = 0, -(2**40)
    while used_bytes(db) > limit_bytes:
        oldest, newest = db.execute(
            "SELECT min(hour), max(hour) FROM"
            " (SELECT hour FROM hour UNION ALL SELECT minute / 60 FROM minute) WHERE hour > ?",
            (after,),
        )[0]
        if oldest is None or oldest == newest:
            break
        gone += drop_before(db, (oldest + 1) * 60, now_minute)
        after = oldest  # an hour tied to a young place in its chain is passed over: it goes with that place
    return gone
