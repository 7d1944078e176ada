"""What stands beside the records, each in a small table: notes, looks, calls, leases, signatures."""

from whichhop.errors import RemoteError
from whichhop.model.chain_signature import ChainSignature
from whichhop.model.note import CallNote, Look, Note
from whichhop.model.transfer import Lease
from whichhop.model.units import NS_PER_S
from whichhop.store.db import Database
from whichhop.store.note_lines import gains_of, gains_text

KEPT_NS = 3 * 86_400 * NS_PER_S
"""Today's budget is what counts; a day more on each side for zones and clocks that are set."""


class SmallTables:
    """What a store keeps beside its records. Every method raises StoreError as the store's own do."""

    db: Database

    def add_note(self, note: Note) -> int | None:
        """Keep a note; its number, or None when the same words stand at that instant already.

        Numbers are never used twice, so that an old note on paper still names the same note or none.
        """
        with self.db.transaction():
            # Asked first, since a refused row would use a number up.
            if self.db.execute("SELECT 1 FROM mark WHERE at_ns = ? AND text = ?", (note.at_ns, note.text)):
                return None
            return self.db.number(
                "INSERT INTO mark (at_ns, text, change, expected) VALUES (?, ?, ?, ?) RETURNING id",
                (note.at_ns, note.text, note.change, gains_text(note.expected)),
            )

    def notes(self) -> dict[int, Note]:
        """Every note by its number, in the order of time."""
        rows = self.db.execute("SELECT id, at_ns, text, change, expected FROM mark ORDER BY at_ns, id")
        return {
            number: Note(at_ns=at_ns, text=text, change=change, expected=gains_of(expected))
            for number, at_ns, text, change, expected in rows
        }

    def remove_note(self, number: int) -> bool:
        """Take a note back; False when there is none of that number. Looks stay: they were taken."""
        return bool(self.db.execute("DELETE FROM mark WHERE id = ? RETURNING id", (number,)))

    def add_look(self, look: Look) -> int:
        """Keep a look; how many different ones there are at that change, this one counted.

        The same span again is the same look, told with the number it had: that many were taken up to then.
        """
        with self.db.transaction():
            self.db.execute(
                "INSERT OR IGNORE INTO look (of_ns, at_ns, from_ns, to_ns) VALUES (?, ?, ?, ?)",
                (look.of_ns, look.at_ns, look.from_ns, look.to_ns),
            )
            ((first_ns,),) = self.db.execute(
                "SELECT at_ns FROM look WHERE of_ns = ? AND from_ns = ? AND to_ns = ?",
                (look.of_ns, look.from_ns, look.to_ns),
            )
            return self.db.number(
                "SELECT count(*) FROM look WHERE of_ns = ? AND (at_ns, from_ns, to_ns) <= (?, ?, ?)",
                (look.of_ns, first_ns, look.from_ns, look.to_ns),
            )

    def looks(self) -> list[Look]:
        """Every look, in the order taken."""
        rows = self.db.execute(
            "SELECT of_ns, at_ns, from_ns, to_ns FROM look ORDER BY at_ns, of_ns, from_ns, to_ns"
        )
        return [Look(of_ns=of, at_ns=at, from_ns=start, to_ns=end) for of, at, start, end in rows]

    def add_call(self, call: CallNote) -> int | None:
        """Keep a call; its number, or None when the same words stand at that instant already."""
        with self.db.transaction():
            if self.db.execute(
                "SELECT 1 FROM call_note WHERE at_ns = ? AND text = ?", (call.at_ns, call.text)
            ):
                return None
            return self.db.number(
                "INSERT INTO call_note (at_ns, text, spoke_to, ticket, promised) VALUES (?, ?, ?, ?, ?)"
                " RETURNING id",
                (call.at_ns, call.text, call.spoke_to, call.ticket, call.promised),
            )

    def calls(self) -> dict[int, CallNote]:
        """Every call by its number, in the order of time."""
        rows = self.db.execute(
            "SELECT id, at_ns, text, spoke_to, ticket, promised FROM call_note ORDER BY at_ns, id"
        )
        return {
            number: CallNote(at_ns=at_ns, text=text, spoke_to=spoke_to, ticket=ticket, promised=promised)
            for number, at_ns, text, spoke_to, ticket, promised in rows
        }

    def remove_call(self, number: int) -> bool:
        """Take a call back; False when there is none of that number."""
        return bool(self.db.execute("DELETE FROM call_note WHERE id = ? RETURNING id", (number,)))

    def leases(self) -> list[Lease]:
        """Every lease that is kept, in the order of their ends."""
        rows = self.db.execute(
            "SELECT number, who, day, until_ns, octets, used FROM lease ORDER BY until_ns, number"
        )
        return [
            Lease(number=number, who=who, day=day, until_ns=until_ns, octets=octets, used=used)
            for number, who, day, until_ns, octets, used in rows
        ]

    def put_leases(self, kept: list[Lease]) -> None:
        """Keep leases, each in place of what was kept of it before; those of days long past go."""
        with self.db.transaction():
            for one in kept:
                self.db.execute(
                    "INSERT OR REPLACE INTO lease VALUES (?, ?, ?, ?, ?, ?)",
                    (one.number, one.who, one.day, one.until_ns, one.octets, one.used),
                )
                self.db.execute("DELETE FROM lease WHERE until_ns < ?", (one.until_ns - KEPT_NS,))

    def signature(self, origin: bytes) -> ChainSignature | None:
        """Of the chain with that origin; None where its agent has signed nothing yet."""
        rows = self.db.execute(
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

    def put_signature(self, agent: str, origin: bytes, new: ChainSignature) -> None:
        """Keep a newer signature; an older one is passed over. RemoteError when another key signs."""
        if not new.sound:
            raise RemoteError(f"agent {agent}: its signature cannot be read; do both run the same version?")
        old = self.signature(origin)
        if old is not None and old.public_key != new.public_key:
            raise RemoteError(
                f"agent {agent} signs its records with another key than before; look at its page for its key,"
                " and begin a new store there if its key was lost"
            )
        if old is not None and new.seq <= old.seq:
            return
        with self.db.transaction():
            self.db.execute(
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
