"""The newest signature of each agent under its own chain of records."""

from whichhop.errors import RemoteError
from whichhop.model.chain_signature import ChainSignature
from whichhop.store.db import Database


def signature(db: Database, origin: bytes) -> ChainSignature | None:
    """Of the chain with that origin; None where its agent has signed nothing yet."""
    rows = db.execute(
        "SELECT seq, s.head, at_ns, public_key, signature FROM signed AS s JOIN chain ON chain = id"
        " WHERE origin = ?",
        (origin,),
    )
    return (
        ChainSignature(
            seq=rows[0][0],
            head=rows[0][1].hex(),
            at_ns=rows[0][2],
            public_key=rows[0][3].hex(),
            signature=rows[0][4].hex(),
        )
        if rows
        else None
    )


def put_signature(db: Database, agent: str, origin: bytes, new: ChainSignature) -> None:
    """Keep a newer signature; an older one is passed over. RemoteError when another key signs than before."""
    if not new.sound:
        raise RemoteError(f"agent {agent}: its signature cannot be read; do both run the same version?")
    old = signature(db, origin)
    if old is not None and old.public_key != new.public_key:
        raise RemoteError(
            f"agent {agent} signs its records with another key than before; look at its page for its key, and"
            " begin a new store there if its key was lost"
        )
    if old is not None and new.seq <= old.seq:
        return
    with db.transaction():
        db.execute(
            "INSERT OR REPLACE INTO signed SELECT id, ?, ?, ?, ?, ? FROM chain WHERE origin = ?",
            (
                new.seq,
                bytes.fromhex(new.head),
                new.at_ns,
                bytes.fromhex(new.public_key),
                bytes.fromhex(new.signature),
                origin,
            ),
        )
