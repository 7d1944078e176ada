"""What the verbs that judge measurements have in common: their arguments, what these open, and the span."""

import argparse
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from whichhop.app.agents.agents_fetch import DAY_NS
from whichhop.app.stored.collect import Opened, Source, opened
from whichhop.cli.text import instant_text, parse_time
from whichhop.compare.windows.table import TICK_NS
from whichhop.config.check import House
from whichhop.daemon.options import default_store
from whichhop.errors import DataError, WhichhopError
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.net.clock import SystemClock
from whichhop.store.collect import Progress


def add_source_arguments(parser: argparse.ArgumentParser) -> None:
    """The home file, and where its measurements come from."""
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where collected records are kept")
    parser.add_argument("--offline", action="store_true", help="ask no agent; use what is kept already")
    parser.add_argument(
        "--records",
        type=Path,
        metavar="DIR",
        help="use the *.jsonl files there, or one file, instead; ask no agent",
    )


def source_of(args: argparse.Namespace) -> Source:
    """What the arguments name; WhichhopError when two exclude each other."""
    records = getattr(args, "records", None)
    offline = getattr(args, "offline", False)
    if records and offline:
        raise WhichhopError("--records and --offline exclude each other; give one")
    return Source(
        home_file=args.home,
        store=args.store or default_store(f"{args.home.stem}.collected"),
        key=args.key,
        records=records,
        offline=offline,
    )


@contextmanager
def opened_for(args: argparse.Namespace, house: House) -> Iterator[Opened]:
    """The store that the arguments name, with all that can be had now; progress and troubles to stderr."""
    with still_at_work(), opened(source_of(args), house.home, _say, _shown()) as found:
        yield found


EVERY_S = 10.0
"""A week of a large home is judged in a minute, which on a screen that says nothing looks like a fault."""


@contextmanager
def still_at_work() -> Iterator[None]:
    """On a terminal, a line now and then for as long as it takes."""
    if not sys.stderr.isatty():
        yield
        return
    done, clock = threading.Event(), SystemClock()
    begin_ns = clock.mono_ns()

    def tell() -> None:
        while not done.wait(EVERY_S):
            _say(f"still reading and judging, {(clock.mono_ns() - begin_ns) // NS_PER_S} s so far")

    teller = threading.Thread(target=tell, daemon=True)
    teller.start()
    try:
        yield
    finally:
        done.set()
        teller.join()


def _shown() -> Progress | None:
    return _progress if sys.stderr.isatty() else None


def shown_days() -> Callable[[int, int], None] | None:
    """Tells a person who waits how many days of a long span are judged; the next time they are kept."""
    return _days if sys.stderr.isatty() else None


def _days(done: int, of: int) -> None:
    _say(f"judged {done} of {of} days")


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")


def _progress(agent: str, place: int, last: int) -> None:
    _say(f"collecting from {agent}: {place} of {last} records")


def add_span_arguments(parser: argparse.ArgumentParser) -> None:
    """--from and --to."""
    parser.add_argument("--from", dest="start", metavar="TIME", help="begin (default: a day before the end)")
    parser.add_argument("--to", dest="end", metavar="TIME", help="end (default: the last that was measured)")


def told_span(args: argparse.Namespace, latest_ns: int) -> tuple[int, int]:
    """From and to in UTC ns: to the last whole window by `latest_ns`, from a day before, unless told."""
    end = parse_time(args.end, "--to", latest_ns - latest_ns % TICK_NS)
    return _ordered(args, parse_time(args.start, "--from", end - DAY_NS), end)


def span_of(args: argparse.Namespace, found: Opened) -> tuple[int, int]:
    """The same of what is kept in an open store."""
    now = SystemClock().utc_ns()
    start = None if args.start is None else parse_time(args.start, "--from", 0)
    end = None if args.end is None else parse_time(args.end, "--to", 0)
    _ordered(args, start or 0, now if end is None else end)
    first, last = found.span(now, start_ns=start, end_ns=end)
    if first >= last:
        raise nothing_measured(found, start or first, end or last)
    return first, last


START_THEM = "start the agents (whichhop run HOME --node NAME), or name files with --records"


def nothing_measured(found: Opened, start_ns: int, end_ns: int) -> DataError:
    """The one line for a span of which there is nothing to judge."""
    there = START_THEM
    if (kept := found.store.span()) is not None:
        first_ns, end_of_kept_ns = kept[0] * NS_PER_MINUTE, (kept[1] + 1) * NS_PER_MINUTE
        there = (
            f"what is kept reaches from {instant_text(first_ns)} to {instant_text(end_of_kept_ns)};"
            " name a span in it with --from and --to"
        )
        if start_ns <= first_ns and end_of_kept_ns <= end_ns:
            there = (
                f"what is kept is of {_few(found)}; give the home file that it was measured with,"
                " or name the nodes as there"
            )
    elif found.of_files:
        there = "the files hold no packets; write one with `whichhop records export`"
    return DataError(
        f"nothing of this home was measured between {instant_text(start_ns)} and {instant_text(end_ns)}: "
        f"{there}"
    )


def _few(found: Opened) -> str:
    """The first sessions of which something is kept, and how many more there are."""
    keys = sorted(map(str, found.store.sessions()))
    more = f" and {len(keys) - 2} more" if len(keys) > 2 else ""
    return ", ".join(keys[:2]) + more


def _ordered(args: argparse.Namespace, start_ns: int, end_ns: int) -> tuple[int, int]:
    if start_ns >= end_ns:
        if not args.start:
            raise DataError(f"--to {args.end}: nothing can have been measured by then; name a later end")
        what = f"--to {args.end}" if args.end else f"now, {instant_text(end_ns)},"
        raise DataError(f"{what} is not after --from {args.start}; name an earlier begin or a later end")
    return start_ns, end_ns
