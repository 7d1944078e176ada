"""Modem levels from a CSV or JSON file: what other tools export, and what `whichhop levels --json` prints."""

import csv
import io
import json
import re
from collections.abc import Sequence
from dataclasses import fields
from datetime import datetime
from typing import Any

from whichhop.errors import DataError
from whichhop.model.channel import Carrier, Channel, Direction, DslLine
from whichhop.wire.html_tables import HtmlTable
from whichhop.wire.level_columns import ColumnMap
from whichhop.wire.modem_table import TableReading, read_tables

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
    rows = tuple(tuple(row) for row in csv.reader(io.StringIO(head), delimiter=separator) if any(row))
    if rows and _OTHER_LINE.search(" ".join(rows[0]).casefold()):
        return read_tables([_turned(rows, names or ColumnMap())], names or ColumnMap(), source)
    plain = tuple(tuple(c.replace("_", " ") for c in row) if i == 0 else row for i, row in enumerate(rows))
    return read_tables([HtmlTable(title="", rows=plain)], names or ColumnMap(), source)


def _one(item: Any, number: int, source: str, remarks: list[str]) -> Channel:
    place = f"{source}: channel {number}"
    if not isinstance(item, dict):
        raise DataError(f"{place}: {str(item)[:40]!r} is not an object; write the channel's facts as keys")
    facts: dict[str, Any] = {}
    for key, value in item.items():
        if key not in _KNOWN:
            if key != "name":
                remarks.append(f"channel {number}: unknown key {key!r} passed over")
            continue
        if value is None:
            continue
        number_like = isinstance(value, int | float) and not isinstance(value, bool)
        if key in _INTEGERS and (not number_like or value != int(value) or value < 0):
            raise DataError(f"{place}: {key} is {value!r}; write a whole number, 0 or more")
        if key in _DECIBELS and not number_like:
            raise DataError(f"{place}: {key} is {value!r}; write a number of decibels")
        if key == "locked" and not isinstance(value, bool):
            raise DataError(f"{place}: locked is {value!r}; write true or false")
        facts[key] = int(value) if key in _INTEGERS else float(value) + 0.0 if key in _DECIBELS else value
    direction = facts.get("direction")
    if direction not in list(Direction):
        raise DataError(f"{place}: direction is {direction!r}; write down or up")
    facts["direction"] = Direction(direction)
    usual = Carrier.SC_QAM if facts["direction"] is Direction.DOWN else Carrier.ATDMA
    carrier = facts.get("carrier", usual)
    if carrier not in list(Carrier):
        raise DataError(f"{place}: carrier is {carrier!r}; write one of {', '.join(Carrier)}")
    facts["carrier"] = Carrier(carrier)
    facts.setdefault("channel_id", number)
    return Channel(**facts)


def read_json(text: str, source: str = "the file") -> tuple[TableReading, int | None]:
    """Channels of a JSON list, or of an object's "channels" with its "at" (ISO 8601), if any, as UTC ns."""
    try:
        data = json.loads(text)
    except ValueError as trouble:
        raise DataError(f"{source}: not JSON: {trouble}; export it again") from trouble
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
    channels = tuple(_one(item, n, source, remarks) for n, item in enumerate(data, 1))
    found = TableReading(channels=channels, remarks=tuple(remarks), dsl=dsl, receive_dbm=light)
    return found, at_ns


def _light(value: Any, source: str) -> float | None:
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise DataError(f"{source}: receive_dbm is {value!r}; write the optical power in dBm")
    return float(value)


def _dsl(items: Any, source: str) -> tuple[DslLine, ...]:
    """The object's "dsl": a list of directions with a number for each fact."""
    known = {f.name for f in fields(DslLine)} - {"direction"}
    out = []
    for item in items if isinstance(items, list) else [items]:
        way = item.get("direction") if isinstance(item, dict) else None
        if not isinstance(way, str) or way not in list(Direction):
            raise DataError(f"{source}: dsl needs a direction each; write down or up")
        facts = {k: v for k, v in item.items() if k != "direction" and v is not None}
        for key, value in facts.items():
            if key not in known or isinstance(value, bool) or not isinstance(value, int | float):
                raise DataError(
                    f"{source}: dsl: {key} is {value!r}; write numbers for {', '.join(sorted(known))}"
                )
        out.append(DslLine(direction=Direction(way), **{k: float(v) for k, v in facts.items()}))
    return tuple(out)


def _instant(at: Any, source: str) -> int:
    """UTC nanoseconds of an ISO 8601 time with a zone; fractions of a second count to the ninth digit."""
    found = re.fullmatch(r"(.*:\d\d)(?:\.(\d{1,9}))?(Z|[-+]\d\d:\d\d)", at) if isinstance(at, str) else None
    try:
        when = datetime.fromisoformat(found[1] + found[3]) if found else None
    except ValueError:
        when = None
    if when is None or found is None:
        raise DataError(f'{source}: at is {at!r}; write a time with its zone, e.g. "2026-03-01T18:04:05Z"')
    whole = when - datetime.fromisoformat("1970-01-01T00:00:00+00:00")
    return (whole.days * 86_400 + whole.seconds) * 1_000_000_000 + int((found[2] or "0").ljust(9, "0"))
