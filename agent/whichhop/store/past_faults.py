"""Keeps for weeks what the comparer found: episodes that are over, judged minutes, levels by the hour."""

import json
from collections.abc import Iterable, Mapping

from whichhop.model.links import Cause
from whichhop.model.modem_now import LevelHour
from whichhop.model.past_fault import PastFault
from whichhop.store.db import Database

HOUR_NS = 3600 * 1_000_000_000


def put_faults(db: Database, gone: Iterable[PastFault], new: Iterable[PastFault]) -> None:
    """Take back episodes and keep others, in one transaction."""
    with db.transaction():
        for one in gone:
            db.execute(
                "DELETE FROM past_fault WHERE start_ns = ? AND elements = ?",
                (one.start_ns, json.dumps(one.elements)),
            )
        for one in new:
            db.execute(
                "INSERT OR REPLACE INTO past_fault (start_ns, elements, end_ns, cause, probability, proven)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (
                    one.start_ns,
                    json.dumps(one.elements),
                    one.end_ns,
                    str(one.cause),
                    one.probability,
                    int(one.proven),
                ),
            )


def faults(db: Database) -> list[PastFault]:
    """Every episode kept, in the order of time."""
    rows = db.execute(
        "SELECT start_ns, elements, end_ns, cause, probability, proven FROM past_fault ORDER BY start_ns"
    )
    known = set(Cause)  # a cause that a later version knows is passed over
    return [
        PastFault(
            cause=Cause(cause),
            elements=tuple(json.loads(elements)),
            start_ns=start_ns,
            end_ns=end_ns,
            probability=probability,
            proven=bool(proven),
        )
        for start_ns, elements, end_ns, cause, probability, proven in rows
        if cause in known
    ]


def put_judged(db: Database, hours: Mapping[int, int]) -> None:
    """Note the judged minutes of hours since 1970: bit 0 is the hour's first minute."""
    with db.transaction():
        for hour, minutes in hours.items():
            db.execute("INSERT OR REPLACE INTO judged_hour (hour, minutes) VALUES (?, ?)", (hour, minutes))


def judged(db: Database) -> dict[int, int]:
    """The judged minutes by hour, as `put_judged` takes them."""
    return dict(db.execute("SELECT hour, minutes FROM judged_hour"))


def put_levels(db: Database, node: str, hours: Iterable[LevelHour]) -> None:
    """Keep a modem's worst levels of some hours, in place of what was kept of them."""
    with db.transaction():
        for one in hours:
            db.execute(
                "INSERT OR REPLACE INTO level_hour (hour, node, down_low, down_high, snr_low, up_high, lost)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                (
                    one.start_ns // HOUR_NS,
                    node,
                    one.down_low_dbmv,
                    one.down_high_dbmv,
                    one.snr_low_db,
                    one.up_high_dbmv,
                    one.uncorrectable,
                ),
            )


def levels(db: Database) -> dict[tuple[str, int], LevelHour]:
    """The worst levels by modem and hour since 1970."""
    rows = db.execute("SELECT hour, node, down_low, down_high, snr_low, up_high, lost FROM level_hour")
    return {
        (node, hour): LevelHour(
            start_ns=hour * HOUR_NS,
            down_low_dbmv=down_low,
            down_high_dbmv=down_high,
            snr_low_db=snr_low,
            up_high_dbmv=up_high,
            uncorrectable=lost,
        )
        for hour, node, down_low, down_high, snr_low, up_high, lost in rows
    }


def drop_before(db: Database, before_ns: int) -> None:
    """Forget what was over before an instant."""
    with db.transaction():
        db.execute("DELETE FROM past_fault WHERE end_ns < ?", (before_ns,))
        db.execute("DELETE FROM judged_hour WHERE hour < ?", (before_ns // HOUR_NS,))
        db.execute("DELETE FROM level_hour WHERE hour < ?", (before_ns // HOUR_NS,))
