"""A DSL modem's margins and rates, and a fibre terminal's light, out of tables of text."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from whichhop.model.channel import Direction, DslLine
from whichhop.wire.html_tables import HtmlTable
from whichhop.wire.level_columns import ColumnMap
from whichhop.wire.level_numbers import parse_ratio_db, tidy

_LABELS: tuple[tuple[str, str], ...] = (
    ("margin_db", r"margin"),
    ("attenuation_db", r"attenuation"),
    ("attainable_bps", r"attainable|max(?:imum)?\b.*\brate"),
    ("rate_bps", r"\brate\b|\bspeed\b"),
)
"""Row labels, tried in this order: an attainable rate is a rate too."""
_OPTICAL = re.compile(r"(?:optical|\brx\b|receive).*power|power.*(?:optical|\brx\b|receive)")
_SENT = re.compile(r"transmit|\btx\b|launch|output|\bsent\b")
_DBM = re.compile(r"dbm(?!v)")
MOST_BPS = 1e13
"""A hundred times what a home's line carries in any standard's plans; more is no rate."""
_PER_UNIT = {"g": 1e9, "m": 1e6, "k": 1e3, "": 1.0}


def parse_rate_bps(text: str, hint: str = "") -> float | None:
    """A bit rate in bit/s. Without a unit in the cell or the label it is in kb/s, as DSL pages have it."""
    number = re.search(r"\d+(?:[.,' ]\d+)*", tidy(text))
    if number is None:
        return None
    unit = re.search(r"([gmk]?)b(?:it)?(?:/s|ps)", tidy(text).lower()) or re.search(
        r"([gmk]?)b(?:it)?(?:/s|ps)", tidy(hint).lower()
    )
    digits = number.group().replace(" ", "").replace("'", "")
    # Three digits after a separator are thousands: nobody gives a line rate to a thousandth.
    digits = re.sub(r"[.,](?=\d{3}(?:\D|$))", "", digits).replace(",", ".")
    if digits.count(".") > 1:
        return None
    rate = float(digits) * _PER_UNIT[unit[1] if unit else "k"]
    return rate if rate <= MOST_BPS else None


@dataclass(slots=True)
class LineFacts:
    """What was found of a line that is not cable."""

    ways: dict[Direction, dict[str, float]] = field(default_factory=dict)
    receive_dbm: float | None = None

    def dsl(self) -> tuple[DslLine, ...]:
        """The directions that have anything, down first."""
        return tuple(DslLine(direction=way, **self.ways[way]) for way in Direction if self.ways.get(way))


def _way(text: str, names: ColumnMap) -> Direction | None:
    word = text.casefold()
    down, up = names.down.casefold() in word, names.up.casefold() in word
    return None if down == up else Direction.DOWN if down else Direction.UP


def _values(
    row: Sequence[str], columns: dict[int, Direction], names: ColumnMap
) -> Iterator[tuple[Direction, str]]:
    said = _way(row[0], names)
    if said is not None and len(row) > 1:
        yield said, row[1]
        return
    for column, way in columns.items():
        if column < len(row):
            yield way, row[column]


def read_line(tables: Sequence[HtmlTable], names: ColumnMap) -> LineFacts:
    """Margins, attenuations and rates by direction, and received light, wherever a table labels them.

    Rows bear the labels; a heading row or the label itself names the direction. The first value of each
    fact is kept.
    """
    out = LineFacts()
    for table in tables:
        columns: dict[int, Direction] = {}
        for row in table.rows:
            heads = {i: w for i, cell in enumerate(row) if (w := _way(cell, names)) is not None}
            if len(set(heads.values())) == 2:
                columns = heads
                continue
            label = row[0].casefold()
            received = _OPTICAL.search(label) and not _SENT.search(label)
            if len(row) > 1 and received and _DBM.search((row[1] + label).casefold()):
                light = parse_ratio_db(row[1])
                if out.receive_dbm is None and light is not None and -60.0 <= light <= 20.0:
                    out.receive_dbm = light
                continue
            fact = next((name for name, pattern in _LABELS if re.search(pattern, label)), None)
            if fact is None:
                continue
            for way, cell in _values(row, columns, names):
                value = parse_rate_bps(cell, label) if fact.endswith("_bps") else parse_ratio_db(cell)
                if value is not None:
                    out.ways.setdefault(way, {}).setdefault(fact, value)
    return out
