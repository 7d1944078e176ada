"""`whichhop home-file`: every key of a home file, what may be written there and what it means."""

import argparse
import json
import sys
import textwrap

from msgspec import to_builtins

from whichhop.config.reference import Key, all_keys, find_keys, markdown, near_key
from whichhop.errors import WhichhopError

EPILOG = """\
examples:
  whichhop home-file
  whichhop home-file links.kind
  whichhop home-file cabling

NAME stands for a name of your own, [] for an entry of a list. Words may be written with capitals, blanks or
hyphens as you like; with a key, all the words that are understood are shown.
"""
WIDTH = 100


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("key", nargs="?", metavar="KEY", help="a key or a part; all of them by default")
    shape = parser.add_mutually_exclusive_group()
    shape.add_argument("--json", action="store_true", help="print data instead of text")
    shape.add_argument("--markdown", action="store_true", help="print the table that README.md holds")


def _lines(key: Key, *, words: bool) -> list[str]:
    notes = ["needed"] if key.required else [f"{key.default} unless given"] if key.default else []
    head = f"{key.path}: {key.plain_form}" + (f" ({'; '.join(notes)})" if notes else "")
    lines = textwrap.wrap(head, WIDTH, subsequent_indent="    ")
    lines += textwrap.wrap(key.meaning, WIDTH, initial_indent="    ", subsequent_indent="    ")
    if words:
        for stored, others in key.words.items():
            if others:
                text = f"{stored}: also {', '.join(others)}"
                lines += textwrap.wrap(text, WIDTH, initial_indent="      ", subsequent_indent="        ")
    return lines


def run(args: argparse.Namespace) -> int:
    """Print the reference."""
    if args.markdown:
        sys.stdout.write(markdown())
        return 0
    keys = find_keys(args.key) if args.key else all_keys()
    if not keys:
        close = near_key(args.key)
        remedy = f"did you mean {close}?" if close else "`whichhop home-file` lists all keys"
        raise WhichhopError(f"no key of a home file is called {args.key!r}; {remedy}")
    if args.json:
        sys.stdout.write(json.dumps([to_builtins(key) for key in keys], indent=2) + "\n")
    else:
        lines = [line for key in keys for line in _lines(key, words=bool(args.key))]
        sys.stdout.write("\n".join(lines) + "\n")
    return 0
