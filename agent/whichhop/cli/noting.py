"""What the verbs that keep notes have in common: one of TEXT, --list and --remove, in the home's zone."""

import argparse
import json
import sys
from collections.abc import Callable
from typing import Any, Generic, Protocol, TypeVar

import msgspec
from msgspec import Struct

from whichhop.cli.text import instant_text, parse_time, times_in
from whichhop.daemon.options import default_store
from whichhop.errors import DataError
from whichhop.model import Home
from whichhop.net.clock import SystemClock
from whichhop.store.store import Store


class Noted(Protocol):
    """What every note has."""

    @property
    def at_ns(self) -> int:
        """When, UTC."""

    @property
    def text(self) -> str:
        """What a person said of it."""


N = TypeVar("N", bound=Noted)
Answer = tuple[str, dict[int, N]]
"""What to say, and the notes it is about, by number."""


class Notebook(Struct, Generic[N], frozen=True, kw_only=True):
    """Where one kind of note is kept. noun: what one is called. add: None where it is there already."""

    noun: str
    kept: Callable[[], dict[int, N]]
    add: Callable[[N], int | None]
    remove: Callable[[int], bool]


def is_one_asked(args: argparse.Namespace) -> bool:
    """Whether exactly one of TEXT, --list and --remove was given."""
    return [args.text is not None, bool(args.list), args.remove is not None].count(True) == 1


def past_time(text: str | None, remedy: str) -> int:
    """UTC nanoseconds of --at, now without one; DataError where it is still to come."""
    now = SystemClock().utc_ns()
    at = parse_time(text, "--at", now)
    if at > now:
        raise DataError(f"--at {text}: is still to come; {remedy}")
    return at


def taken_back(book: Notebook[N], number: int) -> Answer[N]:
    """Remove one; DataError names those that there are."""
    gone = book.kept().get(number)
    if gone is None or not book.remove(number):
        known = ", ".join(map(str, book.kept())) or "none"
        raise DataError(f"--remove {number}: no such {book.noun}; there are: {known}")
    return f"taken back: {book.noun} {number}, {instant_text(gone.at_ns)}, {gone.text}", {number: gone}


def added(book: Notebook[N], one: N) -> int:
    """Keep one; its number. DataError where it is noted already."""
    number = book.add(one)
    if number is None:
        raise DataError(f"{one.text!r} is noted at {instant_text(one.at_ns)} already; see --list")
    return number


def note_data(number: int, note: Noted) -> dict[str, Any]:
    """A note as JSON-ready data."""
    return {"number": number, **msgspec.to_builtins(note)}


def answer(args: argparse.Namespace, home: Home, done: Callable[[Store], Answer[N]]) -> int:
    """Do what was asked in the store of collected records, and tell it as --json has it or in words."""
    times_in(home)
    with Store.make(args.store or default_store(f"{args.home.stem}.collected")) as store:
        words, notes = done(store)
    if args.json:
        words = json.dumps([note_data(n, m) for n, m in notes.items()], indent=2)
    sys.stdout.write(f"{words}\n")
    return 0
