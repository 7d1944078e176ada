"""`whichhop homes`: many homes on one screen, the worst first, from the server that scrapes their agents."""

import argparse
import json
import sys
import textwrap
from collections import Counter
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from whichhop.app.homes import HomeFault, HomeRow, Standing, read_homes
from whichhop.app.metrics_windows import authorization_of
from whichhop.cli.times import parse_time
from whichhop.errors import DataError
from whichhop.model import CAUSE_TABLE, Cause
from whichhop.model.percent import probability_words
from whichhop.model.time_words import instant_words
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock
from whichhop.net.http_get import fetch
from whichhop.printable import printable
from whichhop.store.metrics_server import MetricsServer

if TYPE_CHECKING:
    from whichhop.app.fleet.neighbours import Neighbours

EPILOG = """\
examples:
  whichhop homes --prometheus http://127.0.0.1:9090
  whichhop homes --prometheus http://127.0.0.1:9090 "Alder House"
  whichhop homes --prometheus http://127.0.0.1:9090 --judge homes/

Each home needs an agent started with --compare; without one it is listed as not judged. With --judge no agent
need compare: every home of a folder of home files is judged here, by the windows that its agents wrote to the
server (`fleet` in the home file). That tells what changed in the span; --whole also looks for what was there
all through it, and takes some twenty times as long. --share 2/3 judges the second of three shares of the
homes, so that three machines have them all. Homes without a fault are counted (--all lists them).
Exit code 1: the home asked for has a fault, or any home where none is asked for.
"""
PATIENCE_S = 30.0
WIDTH = 100
MOST_SHARES, MOST_HOURS = 10_000, 24.0
SHOWN = 40
"""Homes that are not well on one screen; the others are counted."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", nargs="?", metavar="NAME", help="one home, by its name, with all its faults")
    parser.add_argument(
        "--prometheus", metavar="URL", required=True, help="the server that scrapes the homes' agents"
    )
    parser.add_argument(
        "--authorization", type=Path, metavar="FILE", help="a file with the Authorization header for it"
    )
    parser.add_argument("--judge", type=Path, metavar="DIR", help="judge the homes of these home files here")
    parser.add_argument("--hours", type=float, default=1.0, help="how long a span is judged (default: 1)")
    parser.add_argument("--whole", action="store_true", help="look for what was there before the span too")
    parser.add_argument("--share", default="1/1", metavar="N/M", help="only the Nth of M shares of the homes")
    parser.add_argument("--at", metavar="TIME", help="the span's end, as 2026-03-01T18:00Z (default: now)")
    parser.add_argument("--all", action="store_true", help="list every home, those without a fault too")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _cause(fault: HomeFault) -> str:
    return CAUSE_TABLE[Cause(fault.cause)].words if fault.cause in set(Cause) else fault.cause


def _fault(fault: HomeFault) -> str:
    since = "before measuring began" if fault.since_ns is None else instant_words(fault.since_ns, None)
    what = _cause(fault) if fault.elements == fault.cause else f"{_cause(fault)}: {fault.elements}"
    if fault.cause == Cause.NOT_SEPARABLE:
        what = f"one of these, which cannot be told apart: {fault.elements}"
    sure = probability_words(fault.probability)
    return f"{what[0].upper()}{what[1:]}. Probability of fault {sure}, since {since}."


def _lines(row: HomeRow, wide: int, notes: Mapping[str, str], *, whole: bool) -> list[str]:
    faults = row.faults if whole else row.faults[:1]
    texts = [_fault(f) for f in faults]
    if len(row.faults) > len(faults):
        texts.append(
            f"And {len(row.faults) - len(faults)} more ongoing: whichhop homes ... {json.dumps(row.home)}"
        )
    if row.home in notes:
        texts.append(notes[row.home])
    elif row.standing is Standing.NOT_JUDGED:
        texts.append("Start one of its agents with --compare, or look at the one that was.")
    if row.standing is Standing.SILENT:
        texts.append("The server hears none of its agents: is the home, or its line, off?")
    if row.step:
        texts.append(f"Do next: {row.step}")
    head = f"{row.home[:wide]:<{wide}}  {row.standing}"
    body = [line for text in texts for line in textwrap.wrap(text, WIDTH - 4, break_on_hyphens=False)]
    return [printable(line) for line in [head.rstrip(), *(f"    {line}" for line in body)]]


def _text(rows: list[HomeRow], notes: Mapping[str, str], *, every: bool) -> str:
    if not rows:
        return "The server knows no home: does it scrape an agent (deploy/prometheus.yml)?"
    counts = Counter(row.standing for row in rows)
    head = f"{len(rows)} home{'s' if len(rows) > 1 else ''}: " + ", ".join(
        f"{counts[s]} {s}" for s in Standing if counts[s]
    )
    unwell = [row for row in rows if row.standing is not Standing.NO_FAULT]
    shown = rows if every else unwell[:SHOWN]
    wide = min(40, max((len(row.home) for row in shown), default=0))
    lines = [line for row in shown for line in _lines(row, wide, notes, whole=False)]
    more = 0 if every else len(unwell) - len(shown)
    rest = [f"and {more} more that are not well: --all lists them"] if more else []
    return "\n".join([f"{head}.", "", *lines, *rest]).rstrip()


def _data(row: HomeRow, note: str, near: "Neighbours | None") -> dict[str, Any]:
    region = near and {
        "name": near.region,
        "other_homes": near.others,
        "with_it": near.with_it,
        "probability_shared": near.shared,
    }
    return {
        "home": row.home,
        "state": str(row.standing),
        "judged_ns": row.judged_ns,
        "next_step": row.step,
        "note": note,
        "region": region,
        "faults": [
            {
                "cause": f.cause,
                "elements": f.elements.split(" or "),
                "probability": f.probability,
                "since_ns": f.since_ns,
            }
            for f in row.faults
        ],
    }


def _share(text: str) -> tuple[int, int]:
    part, stroke, parts = text.partition("/")
    if not (stroke and part.isascii() and part.isdigit() and parts.isascii() and parts.isdigit()):
        raise DataError(f"--share {text}: not a share; write 2/3 for the second of three")
    if not 1 <= int(part) <= int(parts) <= MOST_SHARES:
        raise DataError(f"--share {text}: there is no such share; write 1/3, 2/3 and 3/3 for three")
    return int(part), int(parts)


def _progress(done: int, every: int) -> None:
    if sys.stderr.isatty() and (done % 10 == 0 or done == every):
        sys.stderr.write(f"\r{done} of {every} homes judged" + ("\n" if done == every else ""))
        sys.stderr.flush()


def _judged(
    args: argparse.Namespace, now_ns: int
) -> "tuple[list[HomeRow], dict[str, str], Mapping[str, Neighbours]]":
    """The rows of all homes that were judged here; by home a line beside its row, and its neighbours."""
    from whichhop.app.fleet.many import Server, Span, judge_all
    from whichhop.app.fleet.neighbours import neighbours_of, with_neighbours

    if not 0.1 <= args.hours <= MOST_HOURS:
        raise DataError(f"--hours {args.hours:g}: write 0.1 to {MOST_HOURS:g}")
    end_ns = parse_time(args.at, "--at", now_ns)
    span = Span(start_ns=end_ns - round(args.hours * 3600 * NS_PER_S), end_ns=end_ns, whole=args.whole)
    server = Server(base=args.prometheus.rstrip("/"), authorization=authorization_of(args.authorization))
    found = judge_all(args.judge, server, span, share=_share(args.share), processes=None, tell=_progress)
    near = neighbours_of(found, span.end_ns - span.start_ns)
    notes = {home: said.words for home, said in near.items() if said.words}
    notes |= {one.row.home: one.trouble for one in found if one.trouble}
    rows = [with_neighbours(one, near.get(one.row.home)).row for one in found]
    return sorted(rows, key=lambda row: row.order), notes, near


def run(args: argparse.Namespace) -> int:
    """Ask the server, print; exit code 1 where something is at fault."""
    now_ns = SystemClock().utc_ns()
    notes: dict[str, str] = {}
    near: Mapping[str, Neighbours] = {}
    if args.judge is not None:
        rows, notes, near = _judged(args, now_ns)
    else:
        ask = partial(fetch, authorization=authorization_of(args.authorization), seconds=PATIENCE_S)
        server = MetricsServer(base=args.prometheus.rstrip("/"), ask=ask, select={})
        rows = read_homes(server, now_ns)
    if args.home is not None:
        named = [row for row in rows if row.home == args.home]
        if not named:
            alike = (
                ", ".join(row.home for row in rows if args.home.lower() in row.home.lower()) or "none like it"
            )
            raise DataError(f"{args.home}: no such home at {args.prometheus}; there is {alike}")
        rows = named
    if args.json:
        data = [_data(row, notes.get(row.home, ""), near.get(row.home)) for row in rows]
        sys.stdout.write(json.dumps(data, indent=2) + "\n")
    elif args.home is not None:
        sys.stdout.write("\n".join(_lines(rows[0], len(args.home), notes, whole=True)) + "\n")
    else:
        sys.stdout.write(_text(rows, notes, every=args.all) + "\n")
    return 1 if any(row.standing is Standing.FAULT for row in rows) else 0
