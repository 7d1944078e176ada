"""Tables of text, from a modem's page or a file, to channel rows; what cannot be used is told."""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import zip_longest

from msgspec import Struct, field

from whichhop import outside
from whichhop.errors import DataError
from whichhop.model.channel import MULTI_CARRIER, Carrier, Channel, Direction, DslLine
from whichhop.model.levels_source import Fact
from whichhop.printable import printable
from whichhop.wire.html_form import page_of, remedy_for
from whichhop.wire.html_tables import HtmlTable, html_tables
from whichhop.wire.level_columns import ColumnMap, read_line
from whichhop.wire.level_numbers import (
    parse_count,
    parse_frequency_hz,
    parse_level_dbmv,
    parse_modulation,
    parse_ratio_db,
)

_UPSTREAM_ENDS_HZ = 85_000_000
"""Below here a channel without a direction is taken for upstream, above 108 MHz for downstream."""
_DOWNSTREAM_BEGINS_HZ = 108_000_000
_DOWNSTREAM_NEVER_BELOW_HZ = 54_000_000
"""The lowest channel downstream of any band plan begins here (DOCSIS 3.0, annex B; from memory)."""
_UNITS = re.compile(
    r"^\(?(?:[gmk]?hz|db(?:m|mv|uv|µv)?|ms?ym(?:/s|/sec)?|ksym(?:/s|/sec)?)\)?$", re.IGNORECASE
)
"""A cell that holds a unit and nothing else."""
_BLANK = re.compile(r"^[-–—.\s]*$|^n/?a$|^none$|^unknown$|^null$", re.IGNORECASE)


MOST_CHANNELS = 300
"""A DOCSIS 4.0 modem bonds some 50; each becomes a dozen series, so a page must not make them without end."""
_MOST_ROWS = 1_000
"""Rows looked at of one table: those of MOST_CHANNELS, with titles and blank ones between."""
_MOST_NOT_READ = 12
_MOST_REMARKS = 40
"""Sentences kept about what could not be used."""


def few(remarks: Sequence[str]) -> tuple[str, ...]:
    """The first remarks, each a printable line, and how many more there were."""
    kept = [printable(remark, 300) for remark in remarks[:_MOST_REMARKS]]
    more = len(remarks) - len(kept)
    return (*kept, f"... and {more} more like these") if more else tuple(kept)


class TableReading(Struct, frozen=True, kw_only=True):
    """What a page or file tells of its line, and one sentence for everything in it that could not be used."""

    channels: tuple[Channel, ...]
    remarks: tuple[str, ...] = ()
    dsl: tuple[DslLine, ...] = ()
    receive_dbm: float | None = None
    not_read: tuple[str, ...] = ()
    """Headings in tables of channels that stand for nothing known: their columns were not read."""


class _Row(Struct):
    """One channel's facts while tables are being joined."""

    direction: Direction
    channel_id: int
    carrier: Carrier | None = None
    facts: dict[str, int | float | bool] = field(default_factory=dict)


class _Section(Struct):
    """A stretch of a table under one title: a heading row and rows of channels.

    titles: what stands over it, the nearest first.
    """

    titles: Sequence[str]
    headings: Sequence[str]
    columns: Mapping[int, Fact]
    rows: list[Sequence[str]]


def _one_text(row: Sequence[str]) -> str | None:
    """The text of a row that holds only one, as title rows do."""
    texts = {c for c in row if c}
    return texts.pop() if len(texts) == 1 else None


def _is_title(row: Sequence[str], text: str, names: ColumnMap, *, inside: bool) -> bool:
    """Whether a row with one text is a title: not where it is the rest of a channel without figures.

    inside: rows of channels stand above it. A cell that spans the row is repeated in all its columns.
    """
    if not re.search(r"[^\W\d_]", text) or re.search(r"\d{3}", text):
        return False
    directed = any(w.casefold() in text.casefold() for w in (names.down, names.up))
    return not inside or directed or all(row)


def _with_units(headings: Sequence[str], row: Sequence[str]) -> list[str] | None:
    """Headings with the units that stand in a row of their own below them; None where it is no such row."""
    if not any(row) or any(c and not _UNITS.match(c) for c in row):
        return None
    return [f"{h} {c}".strip() for h, c in zip_longest(headings, row[: len(headings)], fillvalue="")]


def _turned(rows: Sequence[Sequence[str]]) -> list[Sequence[str]]:
    width = max(len(r) for r in rows)
    padded = [[*r, *[""] * (width - len(r))] for r in rows]
    return [list(column) for column in zip(*padded, strict=True)]


def _telling(columns: Mapping[int, Fact]) -> bool:
    """Whether headings are a channel table's: two facts at least, one of them of the signal."""
    weak = {Fact.CHANNEL_ID, Fact.INDEX, Fact.LOCKED, Fact.CARRIER, Fact.DIRECTION}
    return len(columns) >= 2 and bool(set(columns.values()) - weak)


def _sections(table: HtmlTable, names: ColumnMap) -> Iterator[_Section]:
    """The parts of a table that hold channels, with rows as channels whichever way it was laid out."""
    titles, section = [table.title], None
    rows = [list(r) for r in table.rows[:_MOST_ROWS]]
    # Laid out sideways: the headings stand in the first column. A row-wise table has at most one there.
    sideways = names.facts_of([r[0] for r in rows if len(r) > 1])
    across = max((len(names.facts_of(r)) for r in rows), default=0)
    if _telling(sideways) and len(sideways) > across:
        over = [t for r in rows if (t := _one_text(r)) and names.fact_of(t) is None]
        body = _turned([r for r in rows if len(r) > 1 and names.fact_of(r[0]) is not None])
        columns = names.facts_of(body[0])
        yield _Section(titles=[*over, table.title], headings=body[0], columns=columns, rows=body[1:])
        return
    for row in rows:
        only = _one_text(row)
        columns = names.facts_of(row)
        if _telling(columns) and not any(re.fullmatch(r"[-+]?\d+(?:[.,]\d+)?", c.strip()) for c in row):
            if section is not None:
                yield section
            section = _Section(titles=titles, headings=row, columns=columns, rows=[])
        elif only is not None and _is_title(row, only, names, inside=section is not None):
            titles = [only, table.title]
            if section is not None:
                yield section
                section = None
        elif section is not None:
            below = None if section.rows else _with_units(section.headings, row)
            if below is not None:
                section.headings = below
            else:
                section.rows.append(row)
    if section is not None:
        yield section


def _direction(section: _Section, cells: Mapping[Fact, str], names: ColumnMap) -> Direction | None:
    said = cells.get(Fact.DIRECTION, "").casefold()
    if said.startswith(("down", "up", "ds", "us")):
        return Direction.DOWN if said.startswith("d") else Direction.UP
    for title in section.titles:
        down, up = (word.casefold() in title.casefold() for word in (names.down, names.up))
        if down != up:
            return Direction.DOWN if down else Direction.UP
    return _likely_direction(set(section.columns.values()), parse_frequency_hz(cells.get(Fact.FREQUENCY, "")))


def _likely_direction(facts: set[Fact], frequency_hz: int | None) -> Direction | None:
    """By the frequency where it tells, else by what is measured one way only."""
    if frequency_hz is not None and frequency_hz < _DOWNSTREAM_NEVER_BELOW_HZ:
        return Direction.UP
    if facts & {Fact.SNR, Fact.UNERRORED, Fact.CORRECTED, Fact.UNCORRECTABLE, Fact.ERRORED, Fact.TOTAL}:
        return Direction.DOWN
    if facts & {Fact.T3, Fact.T4}:
        return Direction.UP
    if frequency_hz is None or _UPSTREAM_ENDS_HZ < frequency_hz < _DOWNSTREAM_BEGINS_HZ:
        return None
    return Direction.UP if frequency_hz <= _UPSTREAM_ENDS_HZ else Direction.DOWN


def _carrier(text: str, direction: Direction) -> Carrier | None:
    word = re.sub(r"[^a-z]", "", text.casefold())
    if "ofdma" in word or ("ofdm" in word and direction is Direction.UP):
        return Carrier.OFDMA
    if "ofdm" in word:
        return Carrier.OFDM
    if direction is Direction.DOWN:
        return Carrier.SC_QAM if "qam" in word else None
    for carrier in (Carrier.SCDMA, Carrier.ATDMA, Carrier.TDMA):
        if carrier in word:
            return carrier
    return None


_Parse = Callable[[str, str], int | float | None]


def _count(text: str, _heading: str) -> int | None:
    return parse_count(text)


def _ratio(text: str, _heading: str) -> float | None:
    return parse_ratio_db(text)


_PARSERS: dict[Fact, tuple[str, _Parse, str]] = {
    Fact.FREQUENCY: ("frequency_hz", parse_frequency_hz, "a frequency"),
    Fact.WIDTH: ("width_hz", parse_frequency_hz, "a width"),
    Fact.POWER: ("power_dbmv", parse_level_dbmv, "a level"),
    Fact.SNR: ("mer_db", _ratio, "a ratio in dB"),
    Fact.UNERRORED: ("unerrored", _count, "a count"),
    Fact.TOTAL: ("total", _count, "a count"),
    Fact.CORRECTED: ("corrected", _count, "a count"),
    Fact.UNCORRECTABLE: ("uncorrectable", _count, "a count"),
    Fact.ERRORED: ("errored", _count, "a count"),
    Fact.T3: ("t3_timeouts", _count, "a count"),
    Fact.T4: ("t4_timeouts", _count, "a count"),
}
_BELIEVABLE = {"power_dbmv": (-100.0, 100.0), "mer_db": (-20.0, 100.0), "frequency_hz": (1e6, 4e9)}


def _facts(
    cells: Mapping[Fact, str], headings: Mapping[Fact, str], names: ColumnMap, remarks: list[str], where: str
) -> dict[str, int | float | bool]:
    out: dict[str, int | float | bool] = {}
    for fact, (name, parse, what) in _PARSERS.items():
        text = cells.get(fact, "")
        if _BLANK.match(text):
            continue
        value = parse(text, headings[fact])
        low, high = _BELIEVABLE.get(name, (float("-inf"), float("inf")))
        if value is None or not low <= value <= high:
            if not (name == "frequency_hz" and re.fullmatch(r"\D*0+\D*", text)):
                remarks.append(f"{where}: {text!r} under {headings[fact]!r} is not {what}; left out")
        else:
            out[name] = value
    modulation = parse_modulation(cells.get(Fact.MODULATION, ""))
    if modulation is not None:
        out["modulation"] = modulation
    if not _BLANK.match(cells.get(Fact.LOCKED, "")):
        locked = names.is_locked(cells[Fact.LOCKED])
        if locked is None:
            remarks.append(
                f"{where}: {cells[Fact.LOCKED]!r} under {headings[Fact.LOCKED]!r} says neither locked nor "
                "unlocked; left out (name the word for locked in the column map)"
            )
        else:
            out["locked"] = locked
    return out


def _passed_over(section: _Section, names: ColumnMap) -> Iterator[str]:
    """Headings over figures that were not read, and that no known figure beside them stands for."""
    for column, heading in enumerate(section.headings):
        figures = any(column < len(row) and re.search(r"\d", row[column]) for row in section.rows)
        if heading and figures and column not in section.columns and names.fact_of(heading) is None:
            yield heading


def _read_section(section: _Section, names: ColumnMap, where: str, remarks: list[str]) -> Iterator[_Row]:
    headings = {fact: section.headings[column] for column, fact in section.columns.items()}
    for number, row in enumerate(section.rows, 1):
        cells = {f: row[c].strip() for c, f in section.columns.items() if c < len(row)}
        place = f"{where}, row {number}"
        if not any(not _BLANK.match(t) for t in cells.values()):
            continue
        direction = _direction(section, cells, names)
        if direction is None:
            remarks.append(
                f"{place}: downstream or upstream? Neither its title nor its columns tell; left out"
            )
            continue
        facts = _facts(cells, headings, names, remarks, place)
        if not facts:
            remarks.append(f"{place}: no usable value; left out")
            continue
        said = cells.get(Fact.CHANNEL_ID) or cells.get(Fact.INDEX) or ""
        ident = parse_count(said)
        kind = " ".join((cells.get(Fact.CARRIER, ""), cells.get(Fact.MODULATION, ""), *section.titles))
        yield _Row(
            direction=direction,
            channel_id=number if ident is None else ident,
            carrier=_carrier(kind, direction),
            facts=facts,
        )


def _join(rows: Iterable[_Row], remarks: list[str]) -> list[_Row]:
    """Rows of one channel from several tables made one: levels here, codewords there."""
    out: list[_Row] = []
    for row in rows:
        multi = row.carrier in MULTI_CARRIER
        same = next(
            (
                r
                for r in out
                if (r.direction, r.channel_id) == (row.direction, row.channel_id)
                and (row.carrier is None or r.carrier is None or multi == (r.carrier in MULTI_CARRIER))
            ),
            None,
        )
        if same is None:
            out.append(row)
            continue
        clash = [n for n, v in row.facts.items() if same.facts.get(n, v) != v]
        if clash:
            remarks.append(
                f"{row.direction}stream channel {row.channel_id} is shown twice with different "
                f"{', '.join(sorted(clash))}; the first is kept"
            )
        same.facts = {**row.facts, **same.facts}
        same.carrier = same.carrier or row.carrier
    return out


def _channel(row: _Row) -> Channel:
    facts = dict(row.facts)
    errored, lost = facts.pop("errored", None), facts.get("uncorrectable")
    if errored is not None and "corrected" not in facts:
        # Before correction both kinds count; a smaller number is of those alone that were corrected.
        facts["corrected"] = int(errored) - int(lost or 0) if errored >= (lost or 0) else errored
    total = facts.pop("total", None)
    if total is not None and "unerrored" not in facts and {"corrected", "uncorrectable"} <= facts.keys():
        # A total counts all three kinds; Channel keeps them apart, as RFC 4546 does.
        facts["unerrored"] = max(0, int(total) - int(facts["corrected"]) - int(facts["uncorrectable"]))
    usual = Carrier.SC_QAM if row.direction is Direction.DOWN else Carrier.ATDMA
    return Channel(
        direction=row.direction,
        channel_id=row.channel_id,
        carrier=row.carrier or usual,
        **facts,  # type: ignore[arg-type] # each fact was parsed to its own type above
    )


def read_tables(tables: Sequence[HtmlTable], names: ColumnMap, source: str, remedy: str = "") -> TableReading:
    """The channels, or DSL and optical levels, of some tables; DataError when none of them holds any.

    source: what to call the page or file in the error. remedy: what to do, where that is known already.
    """
    remarks: list[str] = []
    rows: list[_Row] = []
    passed: dict[str, None] = {}
    for number, table in enumerate(tables, 1):
        for section in _sections(table, names):
            title = next((t.strip() for t in section.titles if t.strip()), "")
            where = f"table {number}" + (f" ({title[:40]})" if title else "")
            found = list(_read_section(section, names, where, remarks))
            rows += found
            if found:
                passed |= dict.fromkeys(_passed_over(section, names))
    if len(rows) > MOST_CHANNELS:
        remarks.insert(0, f"{len(rows)} rows of channels; only the first {MOST_CHANNELS} are read")
    channels = tuple(_channel(r) for r in _join(rows[:MOST_CHANNELS], remarks))
    line = read_line(tables, names)
    dsl = line.dsl()
    if not channels and not dsl and line.receive_dbm is None:
        seen = sorted({c for t in tables for r in t.rows[:3] for c in r if re.search(r"[^\W\d_]", c)})[:8]
        seen = [printable(c, 40) for c in seen]
        seen_words = f" It has {len(tables)} table(s), with: {', '.join(seen)}." if seen else ""
        first = f" First complaint: {remarks[0]}." if remarks else ""
        what = remedy or "Name the page's own headings under `columns` in the home file"
        raise outside.bad(
            source, f"no table of channels found, nor of a DSL line or fibre.{seen_words}{first} {what}"
        )
    return TableReading(
        channels=channels,
        remarks=few(remarks),
        dsl=dsl,
        receive_dbm=line.receive_dbm,
        not_read=tuple(printable(heading, 60) for heading in list(passed)[:_MOST_NOT_READ]),
    )


def read_page(page: str, names: ColumnMap | None = None, source: str = "the modem's page") -> TableReading:
    """The channels of an HTML page; DataError when it has none."""
    tables, names = html_tables(page), names or ColumnMap()
    try:
        return read_tables(tables, names, source)
    except DataError:
        if not (remedy := remedy_for(page_of(page))):
            raise
        return read_tables(tables, names, source, remedy)
