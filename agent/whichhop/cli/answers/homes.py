"""`whichhop homes`: many homes on one screen, the worst first, from the server that scrapes their agents."""

import argparse
import json
import os
import sys
import textwrap
from collections import Counter
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import ExitStack
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.app.fleet.homes import HomeFault, HomeRow, Standing, read_homes
from whichhop.app.fleet.metrics_windows import authorization_of, server_base
from whichhop.cli.answers.screen import element_shown
from whichhop.cli.text import parse_time
from whichhop.errors import DataError, RemoteError
from whichhop.model import CAUSE_TABLE, Cause
from whichhop.model.figure_words import instant_words, probability_words
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.http_client import fetch
from whichhop.printable import printable
from whichhop.store.metrics_server import MetricsServer

if TYPE_CHECKING:
    from whichhop.app.fleet.neighbours import Neighbours, Shared

EPILOG = """\
examples:
  whichhop homes --prometheus http://127.0.0.1:9090
  whichhop homes --prometheus http://127.0.0.1:9090 "Alder House"
  whichhop homes --prometheus http://127.0.0.1:9090 --judge homes/

Each home needs an agent started with --compare; without one it is listed as not judged. With --judge no agent
need compare: every home of a folder of home files is judged here, by the windows that its agents wrote to the
server (`fleet` in the home file). That tells what changed in the span; --whole also looks for what was there
all through it, and takes some twenty times as long. --share 2/3 judges the second of three shares of the
homes, so that three machines have them all. --follow judges again every five minutes and asks the server for
new windows only. A fault past several homes of a region is told once, and homes without a fault are counted
(--all lists each).
Exit code 1: the home asked for has a fault, or any home where none is asked for.
"""
PATIENCE_S = 30.0
EACH_S = 300.0
"""From one judging to the next; a thousand homes took two minutes of processor, the server's included."""
WIDTH = 100
MOST_SHARES, MOST_HOURS = 10_000, 24.0
BEYOND_LIMITS = "its modem has a channel beyond a published limit, though nothing is slow"
SHOWN = 15
"""Homes told one by one on one screen, some sixty lines; the others are counted."""
SILENT = "The server hears none of its agents: is the home, or its line, off?"
FEW = 3
"""More silent homes than this are told in one go."""
NAMED = 12
"""Homes named where many have one thing in common."""


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
    parser.add_argument(
        "--follow",
        action="store_true",
        help="with --judge: judge again every five minutes by what is new; --json: a line each time",
    )
    parser.add_argument("--whole", action="store_true", help="look for what was there before the span too")
    parser.add_argument("--share", default="1/1", metavar="N/M", help="only the Nth of M shares of the homes")
    parser.add_argument("--at", metavar="TIME", help="the span's end, as 2026-03-01T18:00Z (default: now)")
    parser.add_argument("--all", action="store_true", help="list every home, those without a fault too")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _cause(fault: HomeFault) -> str:
    return CAUSE_TABLE[Cause(fault.cause)].words if fault.cause in set(Cause) else fault.cause


def _fault(fault: HomeFault) -> str:
    since = "before measuring began" if fault.since_ns is None else instant_words(fault.since_ns, None)
    where = " or ".join(element_shown(name) for name in fault.elements.split(" or ") if name)
    what = _cause(fault) if fault.elements in ("", fault.cause) else f"{_cause(fault)}: {where}"
    if fault.cause == Cause.NOT_SEPARABLE:
        what = f"one of these, which cannot be told apart: {where}"
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
        texts.append(SILENT)
    if row.step:
        texts.append(f"Do next: {row.step}")
    return _block(f"{row.home[:wide]:<{wide}}  {row.standing}".rstrip(), *texts)


def _named(homes: Sequence[str]) -> str:
    more = f" and {len(homes) - NAMED} more (--all lists them)" if len(homes) > NAMED else ""
    return ", ".join(homes[:NAMED]) + more


def _block(head: str, *texts: str) -> list[str]:
    body = [line for text in texts for line in textwrap.wrap(text, WIDTH - 4, break_on_hyphens=False)]
    return [printable(line) for line in [head, *(f"    {line}" for line in body)]]


def _shared(one: "Shared") -> list[str]:
    return _block(
        f"Region {one.region}  fault past {len(one.homes)} of {one.judged} homes",
        _fault(replace(one.surest, since_ns=one.since_ns)),
        "It began at the same time in all of them (probability that they share it"
        f" {probability_words(one.sure)}), so it is no home's own: tell the provider so, with their names:"
        f" {_named(one.homes)}",
    )


def _text(found: "Told", *, every: bool) -> str:
    """Counts first; then what many homes have in common, once; then the worst homes one by one."""
    rows = found.rows
    if not rows:
        return "The server knows no home: does it scrape an agent (deploy/prometheus.yml)?"
    counts = Counter(row.standing for row in rows)
    head = f"{len(rows)} home{'s' if len(rows) > 1 else ''}: " + ", ".join(
        f"{counts[s]} {s}" for s in Standing if counts[s]
    )
    lines, told = [f"{head}."], set[str]()
    causes = Counter(_cause(row.faults[0]) for row in rows if row.faults)
    if len(causes) > 1:
        lines += textwrap.wrap(
            f"Surest fault of each: {', '.join(f'{n} {cause}' for cause, n in causes.most_common())}.", WIDTH
        )
    lines.append("")
    if not every:
        for one in found.shared:
            lines += _shared(one)
            # Who has another fault beside it is told alone too.
            told |= {row.home for row in rows if row.home in one.homes and len(row.faults) == 1}
        silent = [row.home for row in rows if row.standing is Standing.SILENT]
        if len(silent) > FEW:
            told.update(silent)
            lines += _block(f"{len(silent)} {Standing.SILENT}", f"{SILENT} {_named(silent)}")
    unwell = [
        row
        for row in rows
        if (row.standing is not Standing.NO_FAULT or row.home in found.notes) and row.home not in told
    ]
    shown = rows if every else unwell[:SHOWN]
    wide = min(40, max((len(row.home) for row in shown), default=0))
    lines += [line for row in shown for line in _lines(row, wide, found.notes, whole=False)]
    more = 0 if every else len(unwell) - len(shown)
    rest = [f"and {more} more that are not well: --all lists them"] if more else []
    return "\n".join([*lines, *rest]).rstrip()


def _data(told: "Told") -> list[dict[str, Any]]:
    return [_row(row, told.notes.get(row.home, ""), told.near.get(row.home)) for row in told.rows]


def _row(row: HomeRow, note: str, near: "Neighbours | None") -> dict[str, Any]:
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


class Told(Struct, frozen=True):
    """The rows of all homes; by home a line that is not in its row; its neighbours; what several share."""

    rows: list[HomeRow]
    notes: Mapping[str, str] = field(default_factory=dict)
    near: "Mapping[str, Neighbours]" = field(default_factory=dict)
    shared: "Sequence[Shared]" = ()


def _judged(args: argparse.Namespace, now_ns: int, pools: Sequence[Executor] = ()) -> Told:
    from whichhop.app.fleet.many import Server, Span, judge_all
    from whichhop.app.fleet.neighbours import neighbours_of, shared_faults, with_neighbours

    if not 0.1 <= args.hours <= MOST_HOURS:
        raise DataError(f"--hours {args.hours:g}: write 0.1 to {MOST_HOURS:g}")
    end_ns = parse_time(args.at, "--at", now_ns)
    span = Span(start_ns=end_ns - round(args.hours * 3600 * NS_PER_S), end_ns=end_ns, whole=args.whole)
    server = Server(base=server_base(args.prometheus), authorization=authorization_of(args.authorization))
    share = _share(args.share)
    found = judge_all(args.judge, server, span, share=share, processes=None, tell=_progress, pools=pools)
    read = [one for one in found if one.unasked or not one.trouble]
    if read and all(one.unasked for one in read) and not args.follow:
        raise RemoteError(read[0].trouble)  # exit code 0 would say that no home has a fault
    near = neighbours_of(found, span.end_ns - span.start_ns)
    notes = {home: said.words for home, said in near.items() if said.words}
    notes |= {one.row.home: one.trouble for one in found if one.trouble}
    notes |= {one.row.home: BEYOND_LIMITS for one in found if one.beyond_limits}
    found = [with_neighbours(one, near.get(one.row.home)) for one in found]
    rows = sorted((one.row for one in found), key=lambda row: row.order)
    return Told(rows, notes, near, shared_faults(found, near))


def _follow(args: argparse.Namespace) -> int:
    """Judge and print again and again, until interrupted."""
    from whichhop.app.fleet.many import begin_worker

    if args.judge is None or args.at is not None or args.home is not None:
        raise DataError("--follow: goes with --judge DIR, and without --at and NAME")
    clock = SystemClock()
    with ExitStack() as stack:
        count = os.cpu_count() or 1
        pools = [stack.enter_context(ProcessPoolExecutor(1, initializer=begin_worker)) for _ in range(count)]
        while True:
            began_ns = clock.mono_ns()
            now_ns = clock.utc_ns()
            told = _judged(args, now_ns, pools)
            if args.json:
                print(json.dumps({"at_ns": now_ns, "homes": _data(told)}), flush=True)
            else:
                print(
                    f"{instant_words(now_ns, None)}\n{_text(told, every=args.all)}\n",
                    flush=True,
                )
            sleep_s(max(0.0, EACH_S - (clock.mono_ns() - began_ns) / NS_PER_S))


def run(args: argparse.Namespace) -> int:
    """Ask the server, print; exit code 1 where something is at fault."""
    if args.follow:
        return _follow(args)
    now_ns = SystemClock().utc_ns()
    if args.judge is not None:
        told = _judged(args, now_ns)
    else:
        ask = partial(
            fetch, authorization=authorization_of(args.authorization), seconds=PATIENCE_S, of="server"
        )
        server = MetricsServer(base=server_base(args.prometheus), ask=ask, select={})
        told = Told(read_homes(server, now_ns))
    if args.home is not None:
        named = [row for row in told.rows if row.home == args.home]
        if not named:
            alike = (
                ", ".join(row.home for row in told.rows if args.home.lower() in row.home.lower())
                or "none like it"
            )
            raise DataError(f"{args.home}: no such home at {args.prometheus}; there is {alike}")
        told = replace(told, rows=named)
    if args.json:
        sys.stdout.write(json.dumps(_data(told), indent=2) + "\n")
    elif args.home is not None:
        sys.stdout.write("\n".join(_lines(told.rows[0], len(args.home), told.notes, whole=True)) + "\n")
    else:
        sys.stdout.write(_text(told, every=args.all) + "\n")
    return 1 if any(row.standing is Standing.FAULT for row in told.rows) else 0
