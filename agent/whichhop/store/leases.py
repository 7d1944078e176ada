"""The leases of transfers, on the disk before anything is sent on the strength of one."""

from whichhop.model.transfer import Lease
from whichhop.model.units import NS_PER_S
from whichhop.store.db import Database

KEPT_NS = 3 * 86_400 * NS_PER_S
"""Today's budget is what counts; a day more on each side for zones and clocks that are set."""


def leases(db: Database) -> list[Lease]:
    """Every lease that is kept, in the order of their ends."""
    rows = db.execute("SELECT number, who, day, until_ns, octets, used FROM lease ORDER BY until_ns, number")
    return [
        Lease(number=number, who=who, day=day, until_ns=until_ns, octets=octets, used=used)
        for number, who, day, until_ns, octets, used in rows
    ]


def put_leases(db: Database, kept: list[Lease]) -> None:
    """Keep leases, each in place of what was kept of it before; those of days long past go."""
    with db.transaction():
        for one in kept:
            db.execute(
                "INSERT OR REPLACE INTO lease VALUES (?, ?, ?, ?, ?, ?)",
                (one.number, one.who, one.day, one.until_ns, one.octets, one.used),
            )
            db.execute("DELETE FROM lease WHERE until_ns < ?", (one.until_ns - KEPT_NS,))
