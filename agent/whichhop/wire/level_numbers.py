"""Numbers as modem pages write them: units, thousands, decimal commas, foreign digits, negative zero."""

import re
import unicodedata

from whichhop.model.decibels import dbm_to_dbmv, dbuv_to_dbmv, plain
from whichhop.outside import COUNTER64

_DASHES = dict.fromkeys(map(ord, "‐‑‒–—−－"), "-")
_POINTS = {ord("٫"): ".", ord("٬"): ",", ord("’"): "'", ord("µ"): "u", ord("μ"): "u"}
_DECIMAL = r"[-+]?\s?\d+(?:[.,]\d+)?(?:e[-+]?\d+)?"
_GROUPED = re.compile(r"\d{1,3}(?:[ .,']\d{3})+(?!\d)|\d+")
_WITH_UNIT = re.compile(rf"(?P<number>{_DECIMAL})\s*(?P<unit>dbmv|dbuv|dbm)(?![a-z])", re.IGNORECASE)
_FIRST = re.compile(_DECIMAL, re.IGNORECASE)
_FREQUENCY = re.compile(r"(?P<number>\d+(?:[.,' ]\d+)*(?:e[-+]?\d+)?)\s*(?P<unit>[gmk]?hz)?", re.IGNORECASE)
_PER_UNIT = {"hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}
_LONGEST_CELL = 200
"""Characters; a cell with a level in three units has some 40."""
_TOO_LONG = re.compile(r"\d{26}")
"""No count or frequency has so many digits (a 64-bit count has 20), nor any level so many decimals."""
MOST_DB = 1_000.0
"""Beyond this no level or ratio is one, whatever its unit; modem_table believes less."""
_MOST_HZ = 1e12
"""Coax ends at 3 GHz; a frequency given in the wrong unit is a thousand times off."""
_MOST_POINTS = 1 << 16
"""DOCSIS 3.1 knows constellations up to 16384 points."""


def tidy(text: str) -> str:
    """A cell's text with one kind of space, dash, digit and separator; empty where no cell is so long."""
    if len(text) > _LONGEST_CELL:
        return ""
    out = unicodedata.normalize("NFKC", text).translate(_DASHES).translate(_POINTS)
    out = "".join(str(unicodedata.digit(c)) if c.isdigit() and not c.isascii() else c for c in out)
    return "" if _TOO_LONG.search(out) else " ".join(out.split())


def _decibels(value: float) -> float | None:
    return value if abs(value) <= MOST_DB else None


def _number(text: str) -> float:
    """A float of matched text; infinite where its exponent is; the caller's bounds catch that."""
    return plain(float(text.replace(" ", "").replace(",", ".")))


def parse_level_dbmv(text: str, hint: str = "") -> float | None:
    """A level in dBmV, whatever of dBmV, dBuV or dBm the cell or its heading names; None without a number.

    A cell that shows the level twice ("45.0 dBmV / 105.0 dBuV") is read in dBmV.
    """
    cell = tidy(text)
    found = {m["unit"].lower(): _number(m["number"]) for m in reversed(list(_WITH_UNIT.finditer(cell)))}
    if not found:
        first = _FIRST.search(cell)
        if first is None:
            return None
        unit = next((u for u in ("dbmv", "dbuv", "dbm") if u in tidy(hint).lower()), "dbmv")
        found = {unit: _number(first.group())}
    if "dbmv" in found:
        return _decibels(found["dbmv"])
    if "dbuv" in found:
        return _decibels(round(dbuv_to_dbmv(found["dbuv"]), 6))
    return _decibels(round(dbm_to_dbmv(found["dbm"]), 6))


def parse_ratio_db(text: str) -> float | None:
    """The first number of a cell, in dB; None without one."""
    first = _FIRST.search(tidy(text))
    return None if first is None else _decibels(_number(first.group()))


def parse_count(text: str) -> int | None:
    """A running count; every separator parts thousands. None without digits, below zero, or past 64 bits."""
    cell = tidy(text)
    power = re.fullmatch(r"(\d+(?:[.,]\d+)?e[+]?\d+)", cell, re.IGNORECASE)
    if power:
        value = _number(cell)
        return round(value) if value <= COUNTER64 else None
    found = _GROUPED.search(cell)
    if found is None or cell[: found.start()].rstrip().endswith("-"):
        return None
    count = int(re.sub(r"\D", "", found.group())[:26])
    return count if count <= COUNTER64 else None


def _grouped_or_decimal(text: str) -> float:
    """A frequency's number: two separators part thousands, one is the decimal point."""
    digits = text.replace(" ", "").replace("'", "")
    seps = re.findall(r"[.,]", digits)
    if len(seps) > 1 and len(set(seps)) == 1:
        return float(re.sub(r"[.,]", "", digits))
    if len(seps) > 1:
        whole, _, part = digits.rpartition(seps[-1])
        return float(re.sub(r"[.,]", "", whole) + "." + part)
    return float(digits.replace(",", "."))


def _scale(value: float, unit: str | None, hint: str) -> float:
    named = unit or next((u for u in ("ghz", "mhz", "khz", "hz") if re.search(rf"\b{u}\b", hint)), None)
    if named:
        return value * _PER_UNIT[named.lower()]
    # Without a unit the size tells: coax carries 5 MHz to 3 GHz, so these ranges do not meet.
    if value >= 3_000_001:
        return value
    return value * (1e6 if value <= 3000 else 1e3)


def parse_frequency_hz(text: str, hint: str = "") -> int | None:
    """A frequency in Hz; the middle of a range; None without a positive number.

    hint: the column's heading, which often bears the unit.
    """
    cell, heading = tidy(text), tidy(hint).lower()
    found = [m for m in _FREQUENCY.finditer(cell) if m["number"]]
    if not found:
        return None
    if len(found) >= 2 and re.fullmatch(r"\s*(?:[-~]|to)\s*", cell[found[0].end() : found[1].start()]):
        unit = found[0]["unit"] or found[1]["unit"]
        ends = [_scale(_grouped_or_decimal(m["number"]), m["unit"] or unit, heading) for m in found[:2]]
        middle = sum(ends) / 2
    else:
        middle = _scale(_grouped_or_decimal(found[0]["number"]), found[0]["unit"], heading)
    return round(middle) if 0 < middle <= _MOST_HZ else None


def parse_modulation(text: str) -> int | None:
    """Points of a constellation: "256QAM", "QAM-64", "4K-QAM", "QPSK"; None when not named."""
    cell = tidy(text).lower()
    if "qpsk" in cell:
        return 4
    for pattern in (r"(\d+)\s*(k?)[-_ ]*qam", r"qam[-_ ]*(\d+)\s*(k?)\b"):
        found = re.search(pattern, cell)
        if found:
            named = int(found[1]) * (1024 if found[2] else 1)
            return named if 2 <= named <= _MOST_POINTS else None
    points = int(cell) if re.fullmatch(r"\d{1,5}", cell) else 0
    return points if points >= 4 and points & (points - 1) == 0 else None
