"""`whichhop note`: notes what somebody changed in the home, and when, so that its effect can be looked at."""

import argparse
import re
import sys
from functools import partial
from pathlib import Path

from whichhop.cabling.run import part_words
from whichhop.cabling.what_if import CoaxChange, expected_at, expected_gains, parse_change, what_if
from whichhop.cli.noting import Answer, Notebook, added, answer, is_one_asked, past_time, taken_back
from whichhop.cli.text import instant_text, table
from whichhop.config.check import House, read_house
from whichhop.errors import DataError, WhichhopError
from whichhop.model.cable_run import (
    Amplifier,
    Cable,
    Coupler,
    Filter,
    Joint,
    Pad,
    Part,
    Run,
    Splitter,
)
from whichhop.model.channel import Direction
from whichhop.model.note import Note
from whichhop.store.note_lines import MOST_TEXT
from whichhop.store.store import Store

EPILOG = """\
examples:
  whichhop note alder.yaml "took out the splitter behind the television"
  whichhop note alder.yaml "took out the splitter" --change "remove 5" --at 2026-03-01T18:00
  whichhop note alder.yaml --list
  whichhop note alder.yaml --remove 2

Note a change when it is made, then wait a day or so and ask `whichhop before-after HOME` what it did. With
--change, in the words of `whichhop cabling --what-if`, what it should gain is worked out now, from the cable
run as the home file lists it, and held against the modem's levels later; the part it names is said and asked
about, and refused where the note speaks of another kind of part. Notes are kept on this machine,
beside the collected records; `whichhop records export` carries them along.
"""
_KINDS: dict[type[Part], set[str]] = {
    Splitter: {"splitter", "splitters"},
    Cable: {"cable", "cables", "lead", "patch", "coax"},
    Coupler: {"coupler", "couplers", "tap", "taps"},
    Amplifier: {"amplifier", "amplifiers", "amp", "booster"},
    Filter: {"filter", "filters"},
    Pad: {"pad", "pads", "attenuator", "attenuators"},
    Joint: {"joint", "joints", "connector", "connectors", "barrel", "outlet", "socket"},
}
"""What people call the parts of a run (common practice)."""
AT_HZ = {Direction.DOWN: 400e6, Direction.UP: 30e6}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("text", nargs="?", metavar="TEXT", help="what was changed, in a few words")
    parser.add_argument("--at", metavar="TIME", help="when (default: now)")
    parser.add_argument("--change", metavar="CHANGE", help='the same for the coax, e.g. "remove 5"')
    parser.add_argument(
        "--yes", action="store_true", help="the part that --change names is right: do not ask"
    )
    parser.add_argument("--list", action="store_true", help="show the notes")
    parser.add_argument("--remove", type=int, metavar="N", help="take note N back")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where collected records are kept")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def expected_words(note: Note) -> str:
    """What a note's change should gain, in a few words; "" where nothing was worked out."""
    down, up = (expected_at(note.expected, way, hz) for way, hz in AT_HZ.items())
    if down is None or up is None:
        return ""
    return f"expected {down:+.1f} dB down at 400 MHz, {up:+.1f} dB to send at 30 MHz"


def _new(args: argparse.Namespace, house: House) -> Note:
    text = " ".join(args.text.split())
    if not text or len(text) > MOST_TEXT or not text.isprintable():
        raise DataError(f"TEXT: say in 1 to {MOST_TEXT} characters what was changed")
    at = past_time(args.at, "note a change once it is made")
    if args.change is None:
        return Note(at_ns=at, text=text)
    if house.run is None:
        raise DataError(
            f"--change {args.change}: {args.home} lists no cabling, so nothing can be worked out; "
            "add cabling: with a tap and the parts to the modem, or leave --change out"
        )
    change = parse_change(args.change, house.run)
    meant = what_if(house.run, change, ()).words
    _ask_if_meant(args, text, meant, house.run, change)
    gains = expected_gains(house.run, change)
    return Note(at_ns=at, text=text, change=f"{args.change}: {meant}", expected=gains)


def _kinds_named(text: str) -> set[type[Part]]:
    """The kinds of parts that a note's words speak of."""
    words = set(re.findall(r"[a-z]+", text.lower()))
    return {kind for kind, names in _KINDS.items() if words & names}


def _ask_if_meant(args: argparse.Namespace, text: str, meant: str, run: Run, change: CoaxChange) -> None:
    """Make sure that the part is the one that was changed; DataError when it is not.

    On a terminal by asking; elsewhere only where the note's words name another kind of part, unless --yes.
    """
    named = _kinds_named(text)
    part = run.parts[change.at - 1]
    odd = bool(named) and type(part) not in named and type(change.instead) not in named
    if args.yes or not (odd or sys.stdin.isatty()):
        return
    if sys.stdin.isatty():
        sys.stderr.write(f"This means: {meant}. Is that what was done? [y/N] ")
        sys.stderr.flush()
        if sys.stdin.readline().strip().lower() in ("y", "yes"):
            return
    fitting = [f"{n}: {part_words(p)}" for n, p in enumerate(run.parts, 1) if type(p) in named]
    listed = ", ".join(fitting or [f"{n}: {part_words(p)}" for n, p in enumerate(run.parts, 1)])
    raise DataError(
        f"--change {args.change}: that would be to {meant}, beside {text!r}; nothing was noted; "
        f"parts that fit are {listed}; give the part's number, or --yes if it is right"
    )


def _listed(notes: dict[int, Note]) -> str:
    if not notes:
        return 'nothing is noted yet; note a change with: whichhop note HOME "what was changed"'
    rows = [
        (str(n), instant_text(m.at_ns), m.text + (f" ({m.change}: {expected_words(m)})" if m.change else ""))
        for n, m in notes.items()
    ]
    return table(("note", "when", "what was changed"), rows)


def _done(args: argparse.Namespace, house: House, store: Store) -> Answer[Note]:
    book = Notebook(noun="note", kept=store.notes, add=store.add_note, remove=store.remove_note)
    if args.list:
        return _listed(store.notes()), store.notes()
    if args.remove is not None:
        return taken_back(book, args.remove)
    note = _new(args, house)
    number = added(book, note)
    words = expected_words(note)
    then = f"{note.change}\n{words}\n" if words else ""
    return (
        f"noted: {number}, {instant_text(note.at_ns)}, {note.text}\n{then}"
        f"In a day or so: whichhop before-after {args.home} --note {number}"
    ), {number: note}


def run(args: argparse.Namespace) -> int:
    """Note, list or take back."""
    if not is_one_asked(args):
        raise WhichhopError('say what was changed: whichhop note HOME "TEXT"; or give --list or --remove N')
    house = read_house(args.home)
    return answer(args, house.home, partial(_done, args, house))
