"""Tables of text with levels: which fact a heading stands for, and a DSL or fibre line out of them."""

import re
from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache

from msgspec import Struct, field

from whichhop.model.channel import Direction, DslLine
from whichhop.model.levels_source import Fact
from whichhop.wire.html_tables import HtmlTable
from whichhop.wire.level_numbers import parse_ratio_db, tidy

# Tried in this order: "uncorrectable" holds "correct", "channel width" holds "channel".
_HEADINGS: tuple[tuple[Fact, str], ...] = (
    # Reed-Solomon is DOCSIS's forward error correction: "post RS" is what it left uncorrected.
    (Fact.UNCORRECTABLE, r"un-?corr|\bpost[- ]?(?:rs|fec)\b"),
    (Fact.ERRORED, r"\bpre[- ]?(?:rs|fec)\b"),
    (Fact.UNERRORED, r"un-?errored|error[- ]?free|without errors?"),
    (Fact.TOTAL, r"total\s+(?:code)?words"),
    (Fact.CORRECTED, r"\bcorrect"),
    (Fact.T3, r"\bt3\b"),
    (Fact.T4, r"\bt4\b"),
    (
        Fact.DIRECTION,
        r"^direction$|^(?:ds|down(?:stream)?)\s?/\s?(?:us|up(?:stream)?)$|^(?:us|up(?:stream)?)\s?/\s?(?:ds|down(?:stream)?)$",
    ),
    (Fact.WIDTH, r"width"),
    (Fact.FREQUENCY, r"freq"),
    (Fact.SNR, r"\bsnr\b|\bmer\b|rxmer|signal[- ]*(?:to|/)?[- ]*noise"),
    (Fact.POWER, r"power|\blevel\b|dbmv"),
    (Fact.MODULATION, r"modulation"),
    (Fact.LOCKED, r"lock|ranging\s+stat|^status$|^state$"),
    (Fact.CHANNEL_ID, r"channel[ _]?id|\bch\.?\s*id\b|^(?:id|dcid|ucid)$"),
    (Fact.INDEX, r"^(?:channel|ch\.?|#|no\.?|nr\.?|index|port)$|channel\s+(?:index|number|no\.?)"),
    (Fact.CARRIER, r"\btype\b|\bmode\b|^carrier$|technology"),
)

_TRUE = frozenset(
    {"locked", "lock", "ok", "yes", "true", "1", "success", "operational", "active", "online"}
    | {"synchronized", "synced", "up", "complete", "done"}
)
_FALSE = re.compile(
    r"\bnot\b|\bno\b|un-?lock|\bfail|\blost\b|inactive|offline|false|idle|\bother\b|\babort|^0$"
)


_LONGEST_HEADING = 200
"""Characters; a longer cell is no heading."""

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


@lru_cache(maxsize=4096)  # every cell of a page is looked at several times
def _usual_facts(text: str) -> tuple[Fact, ...]:
    return tuple(fact for fact, pattern in _HEADINGS if re.search(pattern, text))


class ColumnMap(Struct, frozen=True, kw_only=True):
    """The home file's own words for a modem's page; empty where the usual words do.

    headings: per fact, the heading's text (any part of it, upper and lower case alike). down, up: words
    in a table's title that tell its direction. locked: words that mean a locked channel.
    """

    headings: Mapping[Fact, str] = field(default_factory=dict)
    down: str = "downstream"
    up: str = "upstream"
    locked: tuple[str, ...] = ()

    def fact_of(self, heading: str) -> Fact | None:
        """The fact under a heading, the home file's words first; None for a column nobody needs."""
        text = " ".join(heading.split()).casefold() if len(heading) <= _LONGEST_HEADING else ""
        if not text:
            return None
        for fact, word in self.headings.items():
            if word.casefold() == text:
                return fact
        for fact, word in self.headings.items():
            if word.casefold() in text:
                return fact
        return next((fact for fact in _usual_facts(text) if fact not in self.headings), None)

    def facts_of(self, headings: Sequence[str]) -> dict[int, Fact]:
        """Column number to fact; the first of two columns with one fact is taken."""
        out: dict[int, Fact] = {}
        for column, heading in enumerate(headings):
            fact = self.fact_of(heading)
            if fact is not None and fact not in out.values():
                out[column] = fact
        return out

    def is_locked(self, text: str) -> bool | None:
        """True, False, or None when the word is not known."""
        word = " ".join(text.split()).casefold()
        if not word:
            return None
        if word in {w.casefold() for w in self.locked}:
            return True
        if _FALSE.search(word):
            return False
        if self.locked:
            return False
        return True if _TRUE.intersection(re.findall(r"\w+", word)) else None


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


class LineFacts(Struct):
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
