"""`whichhop measures`: a session's figures, each with the standard that defines it and how it was got."""

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

from msgspec import to_builtins

from whichhop.app.agents.agents_fetch import DAY_NS
from whichhop.cli.collecting import START_THEM, add_source_arguments, opened_for
from whichhop.cli.text import instant_text, parse_time, table, times_in
from whichhop.config.check import read_house
from whichhop.errors import DataError
from whichhop.model import Home, Method, Record, SessionKey
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S, minute_of
from whichhop.net.clock import SystemClock
from whichhop.stats.measure import Measure
from whichhop.stats.measures import measures
from whichhop.store.store import Store
from whichhop.wire.flight import WAIT_NS

EPILOG = """\
examples:
  whichhop measures alder.yaml
  whichhop measures alder.yaml --session desk:attic:stamp
  whichhop measures alder.yaml --session desk:harbour:call --from 2026-03-01T18:00Z --to 2026-03-01T21:00Z
  whichhop measures alder.yaml --session desk:attic:stamp --records evening/ --json

Without --session, a line for each session. A figure that the records do not support is withheld, with the
reason. Intervals speak of the packets of the span that was asked for; the group "the path, beyond this
span" says what the path usually does, from how its days or hours differ. Times are rounded to 5 us when
stored. Only whole minutes that have settled count.
"""
GLANCE = ("round-trip-50", "round-trip-99", "pdv-round-trip-95", "loss")
"""What a session's line shows when none is asked for."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    add_source_arguments(parser)
    parser.add_argument("--session", metavar="A:B:METHOD", help="agent, target and method of one session")
    parser.add_argument("--from", dest="start", metavar="TIME", help="begin (default: a day before the end)")
    parser.add_argument("--to", dest="end", metavar="TIME", help="end (default: of what is kept)")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def session_of(text: str) -> SessionKey:
    """The session that `desk:attic:stamp` or `desk>attic:stamp` names; DataError for anything else."""
    parts = text.replace(">", ":").split(":")
    methods = ", ".join(Method)
    if len(parts) != 3 or not all(parts):
        raise DataError(f"--session {text}: write agent, target and method, as desk:attic:stamp")
    if parts[2] not in set(Method):
        raise DataError(f"--session {text}: no method {parts[2]!r}; there are: {methods}")
    return SessionKey(agent=parts[0], target=parts[1], method=Method(parts[2]))


def _span(args: argparse.Namespace, store: Store) -> tuple[int, int]:
    """First minute and the one after the last, as asked for, else the last day that is kept."""
    kept = store.span()
    latest = SystemClock().utc_ns() if kept is None else (kept[1] + 1) * NS_PER_MINUTE
    end = parse_time(args.end, "--to", latest)
    start = parse_time(args.start, "--from", end - DAY_NS)
    if start >= end:
        raise DataError(f"--to {args.end} is not after --from {args.start}; swap them")
    return minute_of(start), minute_of(end - 1) + 1


def _clock_steps(store: Store, key: SessionKey, first: int, last: int) -> list[float]:
    """What both ends' agents told of their own clocks, s, one value a minute."""
    span = {"from_ns": first * NS_PER_MINUTE, "to_ns": last * NS_PER_MINUTE}
    names = (key.agent, key.target)
    return [r.value for n in names for r in store.readings(agent=n, **span) if r.name == "clock_step_s"]


Measured = tuple[SessionKey, list[Record], tuple[Measure, ...]]


def _measured(store: Store, key: SessionKey, first: int, last: int) -> Measured:
    records = list(store.session_records(key, first, last))
    steps = _clock_steps(store, key, first, last)
    return key, records, measures(records, clock_steps_s=steps, waiting_s=WAIT_NS / NS_PER_S)


def number(value: float | None, unit: str) -> str:
    """A figure as a person reads it: milliseconds, per cent; "-" where there is none."""
    if value is None:
        return "-"
    if unit == "s":
        return f"{value:.1f} s" if abs(value) >= 10 else f"{value * 1e3:.3f} ms"
    if unit == "ratio":
        return f"{value * 100:.3g} %"
    return (
        f"{value:g}" if unit in ("count", "packets") else f"{value:.2f}" + (" ppm" if unit == "ppm" else "")
    )


def _ends(row: Measure) -> str:
    if row.low is None and row.high is None:
        return ""
    return f"{number(row.low, row.unit)} to {number(row.high, row.unit)}"


def _one_session(key: SessionKey, home: Home, records: Sequence[Record], rows: Sequence[Measure]) -> str:
    samples = sum(len(r.samples) for r in records)
    begin, end = records[0].minute * NS_PER_MINUTE, (records[-1].minute + 1) * NS_PER_MINUTE
    span = f"{instant_text(begin)} to {instant_text(end)}"
    text = [f"{key} in {home.name}: {span}, {samples} packets in {len(records)} min"]
    for group, found in groupby(rows, lambda r: r.group):
        text += ["", *_group(group, list(found))]
    return "\n".join(text) + "\n"


def _group(name: str, rows: Sequence[Measure]) -> Iterator[str]:
    """A group's lines: what all its rows have in common is said once, in its heading."""
    shown = [r for r in rows if not r.withheld]
    hows, intervals = {r.how for r in shown}, {r.interval for r in shown if r.interval}
    common = [*hows] if len(hows) == 1 else []
    common += [f"between: {one}" for one in intervals if len(intervals) == 1]
    yield f"{name} ({'; '.join(common)})" if common else name
    if shown:
        cells = [
            (
                f"  {r.words}",
                number(r.value, r.unit),
                _ends(r) + (f" ({r.interval})" if r.interval and len(intervals) > 1 else ""),
                str(r.count),
                r.definition,
                r.how if len(hows) > 1 else "",
            )
            for r in shown
        ]
        head = ("", "value", "between", "packets", "defined by", "got by" if len(hows) > 1 else "")
        yield table(head, cells)
    yield from (f"  {r.words}: withheld, {_withheld(r)}" for r in rows if r.withheld)


def _withheld(row: Measure) -> str:
    between = f"; between {_ends(row)} ({row.interval})" if row.interval else ""
    return f"{row.withheld}{between}. By {row.definition}"


def _glance(found: Sequence[Measured]) -> Iterator[list[str]]:
    for key, records, rows in found:
        by_name = {r.name: r for r in rows}
        cells = [number(by_name[name].value, by_name[name].unit) for name in GLANCE]
        by = by_name["round-trip-50"].how.partition(";")[0]
        yield [str(key), str(sum(len(r.samples) for r in records)), *cells, by]


def _data(key: SessionKey, records: Sequence[Record], rows: Sequence[Measure]) -> dict[str, Any]:
    return {
        "session": str(key),
        "from_ns": records[0].minute * NS_PER_MINUTE,
        "to_ns": (records[-1].minute + 1) * NS_PER_MINUTE,
        "packets": sum(len(r.samples) for r in records),
        "measures": [to_builtins(row) for row in rows],
    }


def run(args: argparse.Namespace) -> int:
    """Print the figures. Exit code 2 when there is no record to take them from."""
    house = read_house(args.home)
    times_in(house.home)
    asked = session_of(args.session) if args.session else None
    with opened_for(args, house) as source:
        store = source.store
        first, last = _span(args, store)
        keys = [asked] if asked else store.sessions()
        found = [_measured(store, key, first, last) for key in keys]
        there = ", ".join(map(str, store.sessions()))
    found = [one for one in found if one[1]]
    if not found:
        what = f"--session {args.session}" if asked else str(args.home)
        if not there:
            raise DataError(f"{what}: nothing is kept yet; {START_THEM}")
        raise DataError(f"{what}: nothing is kept of that time; sessions with records: {there}")
    if args.json:
        data = [_data(*one) for one in found]
        sys.stdout.write(json.dumps(data[0] if asked else data, indent=2) + "\n")
    elif asked:
        sys.stdout.write(_one_session(found[0][0], house.home, *found[0][1:]))
    else:
        head = ("session", "packets", "median", "99 %", "variation 95 %", "lost", "stamps by")
        sys.stdout.write(table(head, _glance(found)) + "\n")
    return 0
