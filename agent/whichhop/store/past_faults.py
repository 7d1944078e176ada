"""Keeps for weeks what the comparer found: faults, the minutes that were judged, the modems' worst levels."""

from collections.abc import Iterable, Mapping

from whichhop import outside
from whichhop.model.channel import LevelSpan
from whichhop.model.links import Cause
from whichhop.model.past_fault import PastFault
from whichhop.outside import OutsideError
from whichhop.store.db import Database, Row

HOUR_NS = 3600 * 1_000_000_000
DAY_NS = 24 * HOUR_NS
_BETWEEN = "\n"
"""Stands between elements' names; no name holds it."""
_MOST_DB = 1e6
_LAST_HOUR = 2**63 // HOUR_NS


def replace_faults(db: Database, gone: Iterable[PastFault], new: Iterable[PastFault]) -> None:
    """Take faults back and keep others, each in place of what was kept of it."""
    with db.transaction():
        for one in gone:
            db.execute(
                "DELETE FROM past_fault WHERE start_ns = ? AND elements = ?",
                (one.start_ns, _BETWEEN.join(one.elements)),
            )
        for one in new:
            db.execute(
                "INSERT OR REPLACE INTO past_fault (start_ns, elements, end_ns, cause) VALUES (?, ?, ?, ?)",
                (one.start_ns, _BETWEEN.join(one.elements), one.end_ns, str(one.cause)),
            )


def faults(db: Database, since_ns: int) -> list[PastFault]:
    """Every fault that reaches past an instant, in order of time."""
    rows = db.execute(
        "SELECT start_ns, elements, end_ns, cause FROM past_fault WHERE end_ns > ? ORDER BY start_ns",
        (since_ns,),
    )
    found = [_fault(row) for row in rows]
    return [one for one in found if one is not None]


def _fault(row: Row) -> PastFault | None:
    """None where the disk changed the row, or a later version knew more causes: the others still count."""
    start_ns, elements, end_ns, cause = row
    if not isinstance(elements, str):
        return None
    try:
        return PastFault(
            cause=Cause(cause),
            elements=tuple(outside.name(e, "elements") for e in elements.split(_BETWEEN)),
            start_ns=outside.whole(start_ns, "start_ns"),
            end_ns=outside.whole(end_ns, "end_ns"),
        )
    except (OutsideError, ValueError):
        return None


def add_judged(db: Database, hours: Mapping[int, int]) -> None:
    """Note judged minutes of hours since 1970, beside those noted before: bit 0 is an hour's first minute."""
    for hour, minutes in hours.items():
        db.execute(
            "INSERT INTO judged_hour (hour, minutes) VALUES (?, ?)"
            " ON CONFLICT (hour) DO UPDATE SET minutes = minutes | excluded.minutes"
            " WHERE minutes | excluded.minutes <> minutes",
            (hour, minutes),
        )


def judged(db: Database, since_ns: int) -> dict[int, int]:
    """The judged minutes by hour, as `add_judged` takes them, from the hour of an instant on."""
    rows = db.execute("SELECT hour, minutes FROM judged_hour WHERE hour >= ?", (since_ns // HOUR_NS,))
    return {hour: minutes for hour, minutes in rows if isinstance(minutes, int)}


def put_levels(db: Database, node: str, hours: Iterable[LevelSpan]) -> None:
    """Keep a modem's worst levels of some hours, in place of what was kept of them."""
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


def levels(db: Database, node: str, since_ns: int) -> list[LevelSpan]:
    """A modem's worst levels by the hour, from the hour of an instant on, in order of time."""
    rows = db.execute(
        "SELECT hour, down_low, down_high, snr_low, up_high, lost FROM level_hour"
        " WHERE node = ? AND hour >= ? ORDER BY hour",
        (node, since_ns // HOUR_NS),
    )
    found = [_level(row) for row in rows]
    return [one for one in found if one is not None]


def _level(row: Row) -> LevelSpan | None:
    hour, *decibels, lost = row
    try:
        down_low, down_high, snr_low, up_high = (
            None if d is None else outside.number(d, "a level", low=-_MOST_DB, high=_MOST_DB)
            for d in decibels
        )
        return LevelSpan(
            start_ns=outside.whole(hour, "hour", high=_LAST_HOUR) * HOUR_NS,
            down_low_dbmv=down_low,
            down_high_dbmv=down_high,
            snr_low_db=snr_low,
            up_high_dbmv=up_high,
            uncorrectable=None if lost is None else outside.whole(lost, "uncorrectable"),
        )
    except OutsideError:
        return None


def drop_outside(db: Database, before_ns: int, now_ns: int) -> None:
    """Forget what was over before an instant, and what a clock that was ahead dated more than a day past now.

    Where all that is kept lies past now, it is now's clock that is wrong, and that stays.
    """
    first, now, last = before_ns // HOUR_NS, now_ns // HOUR_NS, (now_ns + DAY_NS) // HOUR_NS
    with db.transaction():
        db.execute("DELETE FROM past_fault WHERE end_ns < ?", (before_ns,))
        db.execute("DELETE FROM judged_hour WHERE hour < ?", (first,))
        db.execute("DELETE FROM level_hour WHERE hour < ?", (first,))
        if db.execute("SELECT 1 FROM judged_hour WHERE hour <= ? LIMIT 1", (now,)):
            db.execute("DELETE FROM past_fault WHERE start_ns > ?", (now_ns + DAY_NS,))
            db.execute("DELETE FROM judged_hour WHERE hour > ?", (last,))
            db.execute("DELETE FROM level_hour WHERE hour > ?", (last,))
