"""The minutes that are still open, kept so that a kill costs 38 s at most."""

from collections.abc import Sequence

from whichhop.errors import DataError
from whichhop.model import Record, SessionKey
from whichhop.store.db import Database
from whichhop.store.write import Writer
from whichhop.wire.packed import pack, unpack


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
