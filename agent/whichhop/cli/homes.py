"""`whichhop homes`: many homes on one screen, the worst first, from the server that scrapes their agents."""

import argparse
import json
import sys
import textwrap
from collections import Counter
from functools import partial
from pathlib import Path
from typing import Any

from whichhop.app.homes import HomeFault, HomeRow, Standing, read_homes
from whichhop.app.metrics_windows import authorization_of
from whichhop.errors import DataError
from whichhop.model import CAUSE_TABLE, Cause
from whichhop.model.percent import probability_words
from whichhop.model.time_words import instant_words
from whichhop.net.clock import SystemClock
from whichhop.net.http_get import fetch
from whichhop.printable import printable
from whichhop.store.metrics_server import MetricsServer

EPILOG = """\
examples:
  whichhop homes --prometheus http://127.0.0.1:9090
  whichhop homes --prometheus http://127.0.0.1:9090 "Alder House"

Each home needs an agent started with --compare; without one it is listed as not judged. Homes without a
fault are counted (--all lists them). Exit code 1: the home asked for has a fault, or any home where none is
asked for.
"""
PATIENCE_S = 30.0
WIDTH = 100
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


def _lines(row: HomeRow, wide: int, *, whole: bool) -> list[str]:
    faults = row.faults if whole else row.faults[:1]
    texts = [_fault(f) for f in faults]
    if len(row.faults) > len(faults):
        texts.append(
            f"And {len(row.faults) - len(faults)} more ongoing: whichhop homes ... {json.dumps(row.home)}"
        )
    if row.standing is Standing.NOT_JUDGED:
        texts.append("Start one of its agents with --compare, or look at the one that was.")
    if row.standing is Standing.SILENT:
        texts.append("The server hears none of its agents: is the home, or its line, off?")
    if row.step:
        texts.append(f"Do next: {row.step}")
    head = f"{row.home[:wide]:<{wide}}  {row.standing}"
    body = [line for text in texts for line in textwrap.wrap(text, WIDTH - 4, break_on_hyphens=False)]
    return [printable(line) for line in [head.rstrip(), *(f"    {line}" for line in body)]]


def _text(rows: list[HomeRow], *, every: bool) -> str:
    if not rows:
        return "The server knows no home: does it scrape an agent (deploy/prometheus.yml)?"
    counts = Counter(row.standing for row in rows)
    head = f"{len(rows)} home{'s' if len(rows) > 1 else ''}: " + ", ".join(
        f"{counts[s]} {s}" for s in Standing if counts[s]
    )
    unwell = [row for row in rows if row.standing is not Standing.NO_FAULT]
    shown = rows if every else unwell[:SHOWN]
    wide = min(40, max((len(row.home) for row in shown), default=0))
    lines = [line for row in shown for line in _lines(row, wide, whole=False)]
    more = 0 if every else len(unwell) - len(shown)
    rest = [f"and {more} more that are not well: --all lists them"] if more else []
    return "\n".join([f"{head}.", "", *lines, *rest]).rstrip()


def _data(row: HomeRow) -> dict[str, Any]:
    return {
        "home": row.home,
        "state": str(row.standing),
        "judged_ns": row.judged_ns,
        "next_step": row.step,
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


def run(args: argparse.Namespace) -> int:
    """Ask the server, print; exit code 1 where something is at fault."""
    ask = partial(fetch, authorization=authorization_of(args.authorization), seconds=PATIENCE_S)
    server = MetricsServer(base=args.prometheus.rstrip("/"), ask=ask, select={})
    rows = read_homes(server, SystemClock().utc_ns())
    if args.home is not None:
        named = [row for row in rows if row.home == args.home]
        if not named:
            near = (
                ", ".join(row.home for row in rows if args.home.lower() in row.home.lower()) or "none like it"
            )
            raise DataError(f"{args.home}: no such home at {args.prometheus}; there is {near}")
        rows = named
    if args.json:
        sys.stdout.write(json.dumps([_data(row) for row in rows], indent=2) + "\n")
    elif args.home is not None:
        sys.stdout.write("\n".join(_lines(rows[0], len(args.home), whole=True)) + "\n")
    else:
        sys.stdout.write(_text(rows, every=args.all) + "\n")
    return 1 if any(row.standing is Standing.FAULT for row in rows) else 0
