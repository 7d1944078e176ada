"""Modem levels from a CSV or JSON file: what other tools export, and what `whichhop levels --json` prints."""

import csv
import io
import re
from collections.abc import Sequence
from datetime import datetime
from itertools import islice
from typing import Any

from msgspec.structs import fields

from whichhop import outside
from whichhop.errors import DataError
from whichhop.model.channel import Carrier, Channel, Direction, DslLine
from whichhop.printable import shown
from whichhop.wire.html_tables import HtmlTable
from whichhop.wire.level_columns import MOST_BPS, ColumnMap
from whichhop.wire.level_numbers import MOST_DB
from whichhop.wire.modem_table import MOST_CHANNELS, TableReading, few, read_tables

MOST_OCTETS = 2_000_000
"""As for a page, see probes/modem_page.py."""
MOST_ROWS = 2_000
"""A file has a row a channel; with more it is another kind of file."""
_MOST_KEYS = 100

_INTEGERS = frozenset(
    {"channel_id", "frequency_hz", "width_hz", "modulation", "unerrored", "corrected", "uncorrectable"}
    | {"t3_timeouts", "t4_timeouts"}
)
_DECIBELS = frozenset({"power_dbmv", "mer_db"})
_KNOWN = frozenset(f.name for f in fields(Channel))


_OTHER_LINE = re.compile(r"margin|attenuation|optical")
"""Headings that only the file of a DSL line or a fibre has."""


def _turned(rows: Sequence[Sequence[str]], names: ColumnMap) -> HtmlTable:
    """A file of a DSL line or a fibre turned so that its headings label rows, as such modems' pages do."""
    words = {Direction.DOWN.value: names.down, Direction.UP.value: names.up}
    wide = max(map(len, rows))
    columns = [[row[i] if i < len(row) else "" for row in rows] for i in range(wide)]
    return HtmlTable(
        title="",
        rows=tuple(
            tuple(
                c.replace("_", " ") if i == 0 else words.get(c.strip().casefold(), c)
                for i, c in enumerate(column)
            )
            for column in columns
        ),
    )


def read_csv(text: str, names: ColumnMap | None = None, source: str = "the file") -> TableReading:
    """Channels of a table with a heading row; comma, semicolon or tab, decimal point or comma.

    A DSL line has a row a direction, with headings direction, margin, attenuation, rate and attainable rate;
    a fibre one value under "optical receive power dBm".
    """
    head = text.lstrip("\ufeff").lstrip()
    first = head.partition("\n")[0]
    # The heading row has no numbers in it, so the separator is simply what occurs most there.
    separator = max(";\t,", key=first.count)
    lines = csv.reader(io.StringIO(head), delimiter=separator)
    try:
        rows = tuple(tuple(row) for row in islice(lines, MOST_ROWS) if any(row))
    except csv.Error as wrong:
        raise outside.bad(f"{source}:{lines.line_num}", f"not CSV ({wrong})", "export it again") from None
    if rows and _OTHER_LINE.search(" ".join(rows[0]).casefold()):
        return read_tables([_turned(rows, names or ColumnMap())], names or ColumnMap(), source)
    plain = tuple(tuple(c.replace("_", " ") for c in row) if i == 0 else row for i, row in enumerate(rows))
    return read_tables([HtmlTable(title="", rows=plain)], names or ColumnMap(), source)


def _one(item: Any, number: int, source: str, remarks: list[str]) -> Channel:
    place = f"{source}: channel {number}"
    facts: dict[str, Any] = {}
    for key, value in outside.mapping(item, place, most=_MOST_KEYS).items():
        if key not in _KNOWN:
            if key != "name":
                remarks.append(f"channel {number}: unknown key {shown(key)} passed over")
        elif value is not None:
            facts[key] = _fact(key, value, f"{place}: {key}")
    direction = facts.get("direction")
    if direction not in list(Direction):
        raise outside.bad(place, f"direction is {shown(direction)}", "write down or up")
    facts["direction"] = Direction(direction)
    usual = Carrier.SC_QAM if facts["direction"] is Direction.DOWN else Carrier.ATDMA
    carrier = facts.get("carrier", usual)
    if carrier not in list(Carrier):
        raise outside.bad(place, f"carrier is {shown(carrier)}", f"write one of {', '.join(Carrier)}")
    facts["carrier"] = Carrier(carrier)
    facts.setdefault("channel_id", number)
    return Channel(**facts)


def _fact(key: str, value: Any, place: str) -> Any:
    if key in _INTEGERS:
        # A whole number may come as 603e6: JSON has one kind of number.
        given = int(value) if isinstance(value, float) and value.is_integer() else value
        return outside.whole(given, place, high=outside.COUNTER64)
    if key in _DECIBELS:
        return outside.number(value, place, low=-MOST_DB, high=MOST_DB)
    return outside.truth(value, place) if key == "locked" else outside.text(value, place)


def read_json(text: str, source: str = "the file") -> tuple[TableReading, int | None]:
    """Channels of a JSON list, or of an object's "channels" with its "at" (ISO 8601), if any, as UTC ns."""
    data = outside.json_of(text, source, most=MOST_OCTETS, remedy="export it again")
    at_ns = None
    if isinstance(data, dict):
        at = data.get("at")
        if at is not None:
            at_ns = _instant(at, source)
        dsl, light = _dsl(data.get("dsl") or [], source), _light(data.get("receive_dbm"), source)
        data = data.get("channels") or []
    else:
        dsl, light = (), None
    if not isinstance(data, list) or not (data or dsl or light is not None):
        raise DataError(f'{source}: no channels; write a list of channels, or an object with "channels"')
    remarks: list[str] = []
    rows = outside.items(data, f"{source}: channels", most=MOST_CHANNELS)
    channels = tuple(_one(item, n, source, remarks) for n, item in enumerate(rows, 1))
    found = TableReading(channels=channels, remarks=few(remarks), dsl=dsl, receive_dbm=light)
    return found, at_ns


def _light(value: Any, source: str) -> float | None:
    if value is None:
        return None
    return outside.number(value, f"{source}: receive_dbm", low=-MOST_DB, high=MOST_DB)


def _dsl(items: Any, source: str) -> tuple[DslLine, ...]:
    """The object's "dsl": a list of directions with a number for each fact."""
    known = {f.name for f in fields(DslLine)} - {"direction"}
    out = []
    place = f"{source}: dsl"
    for item in outside.items(items if isinstance(items, list) else [items], place, most=len(Direction)):
        way = item.get("direction") if isinstance(item, dict) else None
        if not isinstance(way, str) or way not in list(Direction):
            raise DataError(f"{place} needs a direction each; write down or up")
        facts = {k: v for k, v in item.items() if k != "direction" and v is not None}
        for key, value in facts.items():
            if key not in known:
                raise outside.bad(place, f"unknown key {shown(key)}", f"write {', '.join(sorted(known))}")
            low, high = (0.0, MOST_BPS) if key.endswith("_bps") else (-MOST_DB, MOST_DB)
            facts[key] = outside.number(value, f"{place}: {key}", low=low, high=high)
        out.append(DslLine(direction=Direction(way), **facts))
    return tuple(out)


def _instant(at: Any, source: str) -> int:
    """UTC nanoseconds of an ISO 8601 time with a zone; fractions of a second count to the ninth digit."""
    timely = isinstance(at, str) and at.isascii()
    found = re.fullmatch(r"(.*:\d\d)(?:\.(\d{1,9}))?(Z|[-+]\d\d:\d\d)", at) if timely else None
    try:
        when = datetime.fromisoformat(found[1] + found[3]) if found else None
    except (ValueError, OverflowError):
        when = None
    if when is None or found is None:
        raise outside.bad(
            source, f"at is {shown(at)}", 'write a time with its zone, e.g. "2026-03-01T18:04:05Z"'
        )
    whole = when - datetime.fromisoformat("1970-01-01T00:00:00+00:00")
    at_ns = (whole.days * 86_400 + whole.seconds) * 1_000_000_000 + int((found[2] or "0").ljust(9, "0"))
    return outside.whole(at_ns, f"{source}: at, as nanoseconds,", low=-outside.INT64)
