"""What the verbs that judge measurements have in common: their arguments, and opening what those name."""

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from whichhop.app.collect import Opened, Source, opened
from whichhop.config.check import House
from whichhop.daemon.options import default_store
from whichhop.errors import WhichhopError
from whichhop.store.collect import Progress


def add_source_arguments(parser: argparse.ArgumentParser) -> None:
    """The home file, and where its measurements come from."""
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where collected records are kept")
    parser.add_argument("--offline", action="store_true", help="ask no agent; use what is kept already")
    parser.add_argument(
        "--records", type=Path, metavar="DIR", help="use the *.jsonl files there instead; ask no agent"
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
    with opened(source_of(args), house.home, _say, _shown()) as found:
        yield found


def _shown() -> Progress | None:
    return _progress if sys.stderr.isatty() else None


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")


def _progress(agent: str, place: int, last: int) -> None:
    _say(f"collecting from {agent}: {place} of {last} records")
