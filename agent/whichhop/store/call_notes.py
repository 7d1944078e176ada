"""Keeps notes of calls to the provider, numbered as they came, and their lines of the interchange form."""

import json
from datetime import date

from whichhop.model.call_note import CallNote
from whichhop.store.db import Database
from whichhop.store.json_line import JsonLine, time_text

MOST_TEXT = 300
MOST_SHORT = 60
"""Characters of a ticket's number, and of who answered."""


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


def call_line(call: CallNote) -> str:
    """A call as a line, without its end."""
    said = {"text": call.text, "spoke_to": call.spoke_to, "ticket": call.ticket, "promised": call.promised}
    more = "".join(f', "{k}": {json.dumps(v, ensure_ascii=False)}' for k, v in said.items() if v)
    return f'{{"call": "{time_text(call.at_ns)}"{more}}}'


def call_of(line: JsonLine) -> CallNote:
    """The call of a line; DataError names what is wrong with it."""
    found = {}
    for key, most in (("text", MOST_TEXT), ("spoke_to", MOST_SHORT), ("ticket", MOST_SHORT)):
        found[key] = line.words(key) if key == "text" or key in line.values else ""
        if len(found[key]) > most or not found[key].isprintable():
            raise line.bad(key, "is no short line of text", f"keep it on one line, {most} characters")
    promised = line.words("promised") if "promised" in line.values else ""
    if promised and not is_day(promised):
        raise line.bad("promised", "is no day", "write it as 2026-03-05")
    return CallNote(at_ns=line.time_ns("call"), promised=promised, **found)


def is_day(text: str) -> bool:
    """True for a day as YYYY-MM-DD (RFC 3339 full-date)."""
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False
