"""Keeps notes of calls to the provider, numbered as they came."""

from whichhop.model.call_note import CallNote
from whichhop.store.db import Database


def add_call(db: Database, call: CallNote) -> int | None:
    """Keep a call; its number, or None when the same words stand at that instant already."""
    with db.transaction():
        if db.execute("SELECT 1 FROM call_note WHERE at_ns = ? AND text = ?", (call.at_ns, call.text)):
            return None
        return db.number(
            "INSERT INTO call_note (at_ns, text, spoke_to, ticket, promised) VALUES (?, ?, ?, ?, ?)"
            " RETURNING id",
            (call.at_ns, call.text, call.spoke_to, call.ticket, call.promised),
        )


def calls(db: Database) -> dict[int, CallNote]:
    """Every call by its number, in the order of time."""
    rows = db.execute("SELECT id, at_ns, text, spoke_to, ticket, promised FROM call_note ORDER BY at_ns, id")
    return {
        number: CallNote(at_ns=at_ns, text=text, spoke_to=spoke_to, ticket=ticket, promised=promised)
        for number, at_ns, text, spoke_to, ticket, promised in rows
    }


def remove_call(db: Database, number: int) -> bool:
    """Take a call back; False when there is none of that number."""
    return bool(db.execute("DELETE FROM call_note WHERE id = ? RETURNING id", (number,)))
