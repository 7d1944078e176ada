"""`whichhop before-after`: what a noted change did, link by link and at the modem, and how surely."""

import argparse
import json
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from whichhop.app.agents.agents_fetch import SETTLED_NS
from whichhop.app.stored.collect import Opened
from whichhop.cabling.level_hours import level_series
from whichhop.cabling.level_readings import from_readings
from whichhop.cabling.what_if import expected_at, expected_gains, parse_change, what_if
from whichhop.change.before_after import BeforeAfter, Spans, before_after, spans_of
from whichhop.change.hours import HOUR_NS, HourTable, hour_table, match_hours
from whichhop.cli.answers.change_words import answer_text
from whichhop.cli.collecting import add_source_arguments, opened_for
from whichhop.cli.noting import note_data
from whichhop.cli.text import instant_text, parse_span, parse_time, times_in
from whichhop.config.check import House, read_house
from whichhop.errors import DataError
from whichhop.model import ModemLevels, Reading, call_sessions, derive_sessions
from whichhop.model.channel import LevelSeries
from whichhop.model.figure_words import zone_of
from whichhop.model.note import Look, Note
from whichhop.net.clock import SystemClock
from whichhop.store.columns import SessionColumns, each_session
from whichhop.store.files import notes_in
from whichhop.store.store import Store

EPILOG = """\
examples:
  whichhop before-after alder.yaml
  whichhop before-after alder.yaml --note 2 --before 14d --after 3d
  whichhop before-after alder.yaml --at 2026-03-01T18:00 --change "remove 5" --json

Compares the same hours of day before and after a change noted by `whichhop note` (the newest, unless told).
The day is what varies: how much days differ, drift and resemble each other is learned from the days compared
and up to three weeks before them. Parts of the day, weekdays and weekends are judged by themselves too. An
answer speaks of chance only: whatever else changed at that time is in it too. Looking again with more
measurements widens the intervals, so that no number of looks finds a difference where there is none; with
--records, the looks that the files tell of count, and this one is not kept.
Exit code 0 when something could be compared, 1 when nothing could.
"""
DEFAULT_NS = 7 * 24 * HOUR_NS
MINUTES = 60
READ = ("levels/", "transfer_")
"""How the names of the readings begin that are compared; of all others an agent keeps 80,000 a day."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    add_source_arguments(parser)
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--note", type=int, metavar="N", help="the note's number (default: the newest)")
    which.add_argument("--at", metavar="TIME", help="when something was changed, where it was not noted")
    parser.add_argument("--before", metavar="SPAN", help="how far back to look (default: 7d)")
    parser.add_argument(
        "--after", metavar="SPAN", help="how long from the change on (default: 7d, or until now)"
    )
    parser.add_argument("--change", metavar="CHANGE", help='what was done to the coax, e.g. "remove 5"')
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _chosen(args: argparse.Namespace, notes: dict[int, Note]) -> tuple[int | None, Note]:
    if args.at is not None:
        at = parse_time(args.at, "--at", 0)
        return None, Note(at_ns=at, text=f"whatever was changed at {instant_text(at)}")
    if args.note is not None:
        if args.note not in notes:
            known = ", ".join(map(str, notes)) or "none"
            raise DataError(f"--note {args.note}: no such note; there are: {known}")
        return args.note, notes[args.note]
    if not notes:
        raise DataError(
            'no change is noted; note one with: whichhop note HOME "what was changed", or give --at TIME'
        )
    return max(notes.items(), key=lambda item: item[1].at_ns)


def _with_change(args: argparse.Namespace, house: House, note: Note) -> Note:
    """The note with the gains of --change, worked out from the cable run as it is listed now."""
    if args.change is None:
        return note
    if house.run is None:
        raise DataError(
            f"--change {args.change}: {args.home} lists no cabling; add it, or leave --change out"
        )
    change = parse_change(args.change, house.run)
    words = f"{args.change}: {what_if(house.run, change, ()).words}"
    return replace(note, change=words, expected=expected_gains(house.run, change))


def _by_hour(columns: SessionColumns) -> HourTable:
    assert columns.rtt_ns is not None  # noqa: S101 - it is asked for below
    return hour_table(columns.session, sent_ns=columns.sent_ns, fate=columns.fate, rtt_ns=columns.rtt_ns)


def _tables(house: House, store: Store, path: Path, spans: Spans) -> Iterator[HourTable]:
    kept = set(store.sessions())
    wanted = (*derive_sessions(house.home), *call_sessions(house.home))
    keys = [s.key for s in wanted if s.key in kept]
    # What was never measured is no work to share: the past is asked for three weeks back.
    first, last = store.span() or (0, 0)
    span = (max(spans.past.start * MINUTES, first), min(spans.after.stop * MINUTES, last + 1))
    for number, table in enumerate(each_session(path, keys, _by_hour, span=span, wanted=("rtt_ns",)), 1):
        if sys.stderr.isatty():
            sys.stderr.write(f"\rreading session {number} of {len(keys)}")
        yield table
    if sys.stderr.isatty() and keys:
        sys.stderr.write("\r" + " " * 40 + "\r")


def _series(readings: list[Reading], spans: Spans) -> tuple[list[LevelSeries], list[str]]:
    history = from_readings(readings)
    series: list[LevelSeries] = []
    remarks: list[str] = []
    nodes = list(dict.fromkeys(levels.node for levels in history))

    def side(node: str, hours: range) -> list[ModemLevels]:
        return [r for r in history if r.node == node and r.at_ns // HOUR_NS in hours]

    for node in nodes:
        found, said = level_series(
            side(node, range(spans.past.start, spans.before.stop)), side(node, spans.after)
        )
        series += [replace(s, group=f"{node} {s.group}") for s in found]
        remarks += [f"{node} {remark}" for remark in said]
    return series, remarks


class Found(Struct, frozen=True, kw_only=True):
    """All there is to say: the note, the answer where there is one, and why not where there is none."""

    number: int | None
    note: Note
    spans: Spans
    answer: BeforeAfter | None
    why: str = ""


def _measured(tables: list[HourTable], readings: list[Reading]) -> list[int]:
    hours = {hour for table in tables for hour in table.hours}
    return sorted(hours | {r.at_ns // HOUR_NS for r in readings})


def why_not(spans: Spans, measured: list[int], now_ns: int) -> str:
    """Why nothing can be compared, and what to do; "" when both sides were measured."""
    if not spans.after:
        ready = (spans.after.start + 1) * HOUR_NS
        when = (
            f"the first whole hour after it ends at {instant_text(ready)}"
            if ready > now_ns
            else "another note is too near"
        )
        return f"too early: no whole hour has passed since the change; {when}. A day is a good time to wait."
    if not any(hour in spans.before for hour in measured):
        return (
            "nothing was measured before the change (the hour of the change itself is left out); "
            "look further back with --before, or keep an agent running before the next change"
        )
    if not any(hour in spans.after for hour in measured):
        return "nothing was measured since the change: are the agents running?"
    return ""


def _clipped(spans: Spans, measured: list[int]) -> Spans:
    """The spans without hours before the first and after the last that was measured."""
    start, end = max(spans.before.start, measured[0]), min(spans.after.stop, measured[-1] + 1)
    return replace(
        spans,
        before=range(start, spans.before.stop),
        after=range(spans.after.start, end),
        past=range(min(start, max(spans.past.start, measured[0])), spans.past.stop),
    )


def _look(store: Store, note: Note, now_ns: int, *, measured: list[int], matched: bool) -> int:
    """The how-manieth look this is; a bare instant and a note of the same hour are the same change.

    Where no hour of the day meets, nothing can be seen, and it is not counted.
    """
    if not matched:
        return 1
    hour = note.at_ns // HOUR_NS * HOUR_NS
    span = (measured[0] * HOUR_NS, (measured[-1] + 1) * HOUR_NS)
    return store.add_look(Look(of_ns=hour, at_ns=now_ns, from_ns=span[0], to_ns=span[1]))


def _find(args: argparse.Namespace, house: House, source: Opened) -> Found:
    store = source.store
    number, note = _chosen(args, store.notes())
    note = _with_change(args, house, note)
    now = SystemClock().utc_ns() - SETTLED_NS
    if note.at_ns > now + SETTLED_NS:
        raise DataError(f"--at {args.at}: is still to come; name a time in the past")
    spans = spans_of(
        note.at_ns,
        now_ns=now,
        before_ns=parse_span(args.before, "--before", DEFAULT_NS),
        after_ns=parse_span(args.after, "--after", DEFAULT_NS),
        notes=store.notes(),
        number=number,
    )
    tables = list(_tables(house, store, source.path, spans))
    start, end = spans.past.start * HOUR_NS, spans.after.stop * HOUR_NS
    readings = [r for begins in READ for r in store.readings_like(begins, from_ns=start, to_ns=end)]
    measured = _measured(tables, readings)
    why = why_not(spans, measured, now)
    if why:
        return Found(number=number, note=note, spans=spans, answer=None, why=why)
    spans = _clipped(spans, measured)
    series, remarks = _series(readings, spans)
    zone = zone_of(house.home)
    before, after = ([h for h in measured if h in side] for side in (spans.before, spans.after))
    matched = match_hours(before, after, zone).matched > 0

    def expected(one: LevelSeries) -> float | None:
        if one.frequency_hz is None:
            return None
        return expected_at(note.expected, one.direction, one.frequency_hz)

    answer = before_after(
        house.home,
        tables,
        readings,
        series,
        at_ns=note.at_ns,
        spans=spans,
        look=_look(store, note, now, measured=measured, matched=matched),
        zone=zone,
        expected=expected,
        remarks=remarks,
    )
    return Found(number=number, note=note, spans=spans, answer=answer)


def _finite(value: Any) -> Any:
    """JSON has no infinity: an interval without ends is null."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {k: _finite(v) for k, v in value.items()}
    return [_finite(v) for v in value] if isinstance(value, list | tuple) else value


def found_data(house: House, found: Found) -> dict[str, Any]:
    """The answer as JSON-ready data; hours as UTC nanoseconds."""

    def ns(hours: range) -> list[int]:
        return [hours.start * HOUR_NS, hours.stop * HOUR_NS]

    parts = msgspec.to_builtins(found.answer, enc_hook=ns) if found.answer is not None else {}
    spans = found.spans if found.answer is None else found.answer.spans
    parts.pop("spans", None)  # told below, whether there is an answer or not

    data: dict[str, Any] = _finite(
        {
            "home": house.home.name,
            "note": note_data(found.number or 0, found.note),
            "before_ns": ns(spans.before),
            "after_ns": ns(spans.after),
            "compared": found.answer is not None and found.answer.measured,
            "why_not": found.why,
            **parts,
        }
    )
    return data


def run(args: argparse.Namespace) -> int:
    """Collect, compare, print. Exit code 1 when there is nothing to compare."""
    house = read_house(args.home)
    times_in(house.home)
    with opened_for(args, house) as source:
        for note in notes_in(args.records) if args.records else ():
            if isinstance(note, Look):
                source.store.add_look(note)
            elif isinstance(note, Note):
                source.store.add_note(note)
        found = _find(args, house, source)
    if args.json:
        sys.stdout.write(json.dumps(found_data(house, found), indent=2) + "\n")
    else:
        sys.stdout.write(answer_text(house.home.name, found.number, found.note, found.answer, found.why))
    return 0 if found.answer is not None and found.answer.measured else 1
