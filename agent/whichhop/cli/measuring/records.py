"""`whichhop records`: carry measurements in and out as JSON lines, and check the chain they hang on."""

import argparse
import io
import json
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import IO, cast

from msgspec import Struct

from whichhop.config.files import output_file, refuse_over
from whichhop.errors import DataError, WhichhopError
from whichhop.model import Reading, Record
from whichhop.model.note import CallNote, Look, Note
from whichhop.model.units import NS_PER_MINUTE
from whichhop.net.clock import SystemClock
from whichhop.outside import INT64
from whichhop.store.files import measured_lines, opened_lines
from whichhop.store.imported import Imported
from whichhop.store.interchange import read_lines, reading_line, record_lines, time_text
from whichhop.store.note_lines import call_line, look_line, note_line
from whichhop.store.read import FOREVER
from whichhop.store.store import Store

EXAMPLES = """examples:
  whichhop records export --store whichhop.db --from 2026-03-01T18:00Z --to 2026-03-01T21:00Z > evening.jsonl
  whichhop records import --store compare.db evening.jsonl attic.jsonl
  whichhop records verify --store whichhop.db
"""
_BATCH = 2_000
_SAY_EVERY = 200_000
STANDARD_INPUT = "standard input"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's own words."""
    parser.epilog = EXAMPLES
    what = parser.add_subparsers(dest="what", metavar="export|import|verify", required=True)

    def begin(name: str, words: str) -> argparse.ArgumentParser:
        one = what.add_parser(name, help=words, description=words)
        one.add_argument("--store", type=Path, required=True, metavar="FILE", help="the store's file")
        one.add_argument("--json", action="store_true", help="print the summary as JSON")
        one.add_argument("--quiet", action="store_true", help="show no progress")
        return one

    out = begin("export", "write records and readings as JSON lines")
    out.add_argument("--from", dest="start", metavar="TIME", help="first minute, e.g. 2026-03-01T18:00Z")
    out.add_argument("--to", dest="end", metavar="TIME", help="up to this minute, which is not included")
    out.add_argument("--agent", metavar="NAME", help="only what this agent measured")
    out.add_argument(
        "-o", "--output", default="-", metavar="FILE", help="where to write; - is standard output (default)"
    )
    into = begin("import", "read JSON lines into a store; what is there already is left out")
    into.add_argument(
        "--overlapping",
        action="store_true",
        help="take records of one agent that overlap too, as after its clock was set back",
    )
    into.add_argument("files", nargs="+", metavar="FILE", help="files to read; - is standard input")
    begin("verify", "walk each agent's chain and say whether every record is as it was stored")


def run(args: argparse.Namespace) -> int:
    """Exit code 1 when a chain does not hold."""
    return {"export": _export, "import": _import, "verify": _verify}[args.what](args)


def _minute(text: str | None, option: str, default: int) -> int:
    """A time on the command line as a whole minute; without a zone it is taken as local time."""
    if text is None:
        return default
    try:
        at = datetime.fromisoformat(text).astimezone()
    except (ValueError, OverflowError):
        raise DataError(f"{option} {text}: not a time; write it as 2026-03-01T18:00Z") from None
    return int(at.timestamp() // 60)


class _Progress:
    """A line on standard error now and then."""

    def __init__(self, quiet: bool, words: str) -> None:
        self._quiet, self._words, self._lines = quiet, words, 0

    def line(self) -> None:
        self._lines += 1
        if not self._quiet and self._lines % _SAY_EVERY == 0:
            sys.stderr.write(f"{self._words} {self._lines} lines\n")

    def over(self, lines: Iterable[str]) -> Iterator[str]:
        for line in lines:
            self.line()
            yield line


@contextmanager
def _out(name: str) -> Iterator[IO[str]]:
    if name == "-":
        yield sys.stdout
        return
    with output_file(Path(name)) as octets:
        file = io.TextIOWrapper(octets, encoding="utf-8", newline="")
        yield file
        file.detach()  # which writes what it holds


@contextmanager
def _lines(name: str) -> Iterator[Iterator[str]]:
    if name == "-":
        standard_input = cast("io.BufferedReader", sys.stdin.buffer)
        with measured_lines(standard_input, STANDARD_INPUT, INT64) as lines:
            yield lines
    else:
        with opened_lines(Path(name)) as lines:
            yield lines


class _Count(Struct):
    records: int = 0
    samples: int = 0
    readings: int = 0
    notes: int = 0
    left_out: int = 0


def _export(args: argparse.Namespace) -> int:
    start = _minute(args.start, "--from", 0)
    end = _minute(args.end, "--to", FOREVER)
    if end <= start:
        raise DataError(f"--to {args.end} is not after --from {args.start}; swap them")
    if args.output != "-":
        refuse_over([("--output", Path(args.output))], [("--store", args.store)])
    count, progress = _Count(), _Progress(args.quiet, "written")
    with Store.open(args.store, read_only=True) as store, _out(args.output) as out:

        def write(line: str) -> None:
            progress.line()
            out.write(line + "\n")

        keys = [k for k in store.sessions() if args.agent in (None, k.agent)]
        if args.agent is not None and not keys:
            known = ", ".join(sorted({k.agent for k in store.sessions()})) or "none"
            raise DataError(f"--agent {args.agent}: nothing of it is stored here; there are: {known}")
        for key in keys:
            for record in store.session_records(key, start, end):
                count.records += 1
                count.samples += len(record.samples)
                for line in record_lines(record):
                    write(line)
        span = {"from_ns": start * NS_PER_MINUTE, "to_ns": min(end * NS_PER_MINUTE, 2**63 - 1)}
        for reading in store.readings(agent=args.agent, **span):
            count.readings += 1
            write(reading_line(reading))
        if args.agent is None:  # notes are the home's, not an agent's
            noted = [m for m in store.notes().values() if span["from_ns"] <= m.at_ns < span["to_ns"]]
            count.notes = len(noted)
            for note in noted:
                write(note_line(note))
            for call in store.calls().values():
                write(call_line(call))
            for look in store.looks():
                # A look names the hour of its change, so it may lie a little before the note.
                if span["from_ns"] - 60 * NS_PER_MINUTE < look.of_ns < span["to_ns"]:
                    write(look_line(look))
    # The lines themselves may be on standard output, so the summary goes beside them.
    _summary(args, count, "exported", sys.stderr if args.output == "-" else sys.stdout)
    return 0


def _import(args: argparse.Namespace) -> int:
    offered, new = _Count(), 0
    with Store.open(args.store) as store:
        for name in args.files:
            shown = STANDARD_INPUT if name == "-" else name
            imported = Imported(store)
            with _lines(name) as lines:
                progress = _Progress(args.quiet, f"{shown}: read")
                items = _looked_at(progress.over(lines), shown, imported, overlapping=args.overlapping)
                new += _import_items(store, items, offered)
            offered.left_out += imported.left_out
            for line in imported.remarks(shown):
                sys.stderr.write(f"{line}\n")
        store.pack_hours(SystemClock().utc_ns() // NS_PER_MINUTE)
    _summary(args, offered, "read", sys.stdout, new=new)
    return 0


Item = Record | Reading | Note | Look | CallNote


def _looked_at(lines: Iterator[str], shown: str, imported: Imported, *, overlapping: bool) -> Iterator[Item]:
    """All that the lines hold; DataError at the end where it must not be mixed with what is there."""
    noted: list[Note | Look | CallNote] = []
    for item in read_lines(lines, shown, noted.append):
        if isinstance(item, Record):
            imported.look(item)
        yield item
    yield from noted
    if not overlapping:
        imported.refuse(shown)


def _import_items(store: Store, items: Iterator[Item], count: _Count) -> int:
    """All of a file or, when a line is bad, nothing of it."""
    new = 0
    batch: list[Record] = []
    readings: list[Reading] = []

    def note(item: Note | Look | CallNote) -> None:
        nonlocal new
        if isinstance(item, CallNote):
            new += store.add_call(item) is not None
            return
        if isinstance(item, Look):
            store.add_look(item)
        else:
            new += store.add_note(item) is not None
            count.notes += 1

    try:
        with store.transaction():
            for item in items:
                if isinstance(item, Record):
                    batch.append(item)
                    count.records += 1
                    count.samples += len(item.samples)
                elif isinstance(item, Reading):
                    readings.append(item)
                    count.readings += 1
                else:
                    note(item)
                if len(batch) + len(readings) >= _BATCH:
                    new += store.append_all(batch, readings)
                    batch, readings = [], []
            return new + store.append_all(batch, readings)
    except WhichhopError:
        store.forget()
        raise


def _verify(args: argparse.Namespace) -> int:
    with Store.open(args.store, read_only=True) as store:
        reports = store.verify()
    if args.json:
        rows = [
            {
                "agent": r.agent,
                "origin": r.origin.hex(),
                "records": r.records,
                "first_seq": r.first_seq,
                "last_seq": r.last_seq,
                "head": r.head.hex(),
                "gaps": r.gaps,
                "holds": not r.trouble,
                "fault": r.trouble or None,
            }
            for r in reports
        ]
        print(json.dumps(rows, indent=2))
    else:
        for r in reports:
            said = f"broken: {r.trouble}" if r.trouble else "holds"
            places = f"{r.records} records, {r.first_seq} to {r.last_seq}"
            print(f"{r.agent}: {places}, head {r.head.hex()}: {said}")
            if r.gaps:
                print(f"{r.agent}: {r.gaps} records were dropped by their owner before they were collected")
        if not reports:
            print("no records are stored here yet")
    return 1 if any(r.trouble for r in reports) else 0


def _summary(args: argparse.Namespace, count: _Count, did: str, out: IO[str], new: int | None = None) -> None:
    span = None
    with Store.open(args.store, read_only=True) as store:
        held = store.span()
        if held:
            span = [time_text(held[0] * NS_PER_MINUTE), time_text((held[1] + 1) * NS_PER_MINUTE)]
    if args.json:
        told = {
            "records": count.records,
            "samples": count.samples,
            "readings": count.readings,
            "notes": count.notes,
            **({"left_out": count.left_out} if count.left_out else {}),
        }
        out.write(json.dumps({**told, **({} if new is None else {"new": new}), "store_span": span}) + "\n")
        return
    fresh = "" if new is None else f"; {new} were new"
    noted = f", {count.notes} notes" if count.notes else ""
    what = f"{count.records} records ({count.samples} samples) and {count.readings} readings{noted}"
    out.write(f"{did} {what}{fresh}\n")
    if count.left_out:
        many = count.left_out > 1
        what = f"{count.left_out} records were" if many else "1 record was"
        their = "their" if many else "its"
        out.write(f"{what} left out: another of {their} session begins at the same instant\n")
