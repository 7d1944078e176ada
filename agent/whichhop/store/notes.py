"""Keeps what people noted, numbered as it came: changes, looks at their effect, calls to the provider."""

from whichhop.model.note import CallNote, Look, Note
from whichhop.store.db import Database
from whichhop.store.note_lines import gains_of, gains_text


def add_note(db: Database, note: Note) -> int | None:
    """Keep a note; its number, or None when the same words stand at that instant already.

    Numbers are never used twice, so that an old note on paper still names the same note or none.
    """
    with db.transaction():
        # Asked first, since a refused row would use a number up.
        if db.execute("SELECT 1 FROM mark WHERE at_ns = ? AND text = ?", (note.at_ns, note.text)):
            return None
        return db.number(
            "INSERT INTO mark (at_ns, text, change, expected) VALUES (?, ?, ?, ?) RETURNING id",
            (note.at_ns, note.text, note.change, gains_text(note.expected)),
        )


def notes(db: Database) -> dict[int, Note]:
    """Every note by its number, in the order of time."""
    rows = db.execute("SELECT id, at_ns, text, change, expected FROM mark ORDER BY at_ns, id")
    return {
        number: Note(at_ns=at_ns, text=text, change=change, expected=gains_of(expected))
        for number, at_ns, text, change, expected in rows
    }


def remove_note(db: Database, number: int) -> bool:
    """Take a note back; False when there is none of that number. Looks stay: they were taken all the same."""
    return bool(db.execute("DELETE FROM mark WHERE id = ? RETURNING id", (number,)))


def add_look(db: Database, look: Look) -> int:
    """Keep a look; how many different ones there are at that change, this one counted.

    The same span again is the same look, told with the number it had: that many were taken up to then.
    """
    with db.transaction():
        db.execute(
            "INSERT OR IGNORE INTO look (of_ns, at_ns, from_ns, to_ns) VALUES (?, ?, ?, ?)",
            (look.of_ns, look.at_ns, look.from_ns, look.to_ns),
        )
        ((first_ns,),) = db.execute(
            "SELECT at_ns FROM look WHERE of_ns = ? AND from_ns = ? AND to_ns = ?",
            (look.of_ns, look.from_ns, look.to_ns),
        )
        return db.number(
            "SELECT count(*) FROM look WHERE of_ns = ? AND (at_ns, from_ns, to_ns) <= (?, ?, ?)",
            (look.of_ns, first_ns, look.from_ns, look.to_ns),
        )


def looks(db: Database) -> list[Look]:
    """Every look, in the order taken."""
    rows = db.execute("SELECT of_ns, at_ns, from_ns, to_ns FROM look ORDER BY at_ns, of_ns, from_ns, to_ns")
    return [Look(of_ns=of, at_ns=at, from_ns=start, to_ns=end) for of, at, start, end in rows]


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
