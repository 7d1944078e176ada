"""`whichhop call-log`: notes calls to the provider, with ticket numbers and what was promised by when."""

import argparse
from functools import partial
from pathlib import Path

from whichhop.cli.noting import Answer, Notebook, added, answer, is_one_asked, past_time, taken_back
from whichhop.cli.text import instant_text, table
from whichhop.config.check import read_home
from whichhop.errors import DataError, WhichhopError
from whichhop.model.note import CallNote
from whichhop.store.note_lines import MOST_CALL_TEXT, MOST_SHORT, is_day
from whichhop.store.store import Store

EPILOG = """\
examples:
  whichhop call-log alder.yaml "line test ordered" --spoke-to "first line" --ticket 4711 --promised 2026-03-05
  whichhop call-log alder.yaml "said the levels look fine" --at 2026-03-02T09:30
  whichhop call-log alder.yaml --list
  whichhop call-log alder.yaml --remove 2

Kept on this machine beside the collected records; `whichhop evidence` prints the log in report, letter and
call script, and `whichhop records export` carries it along.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("text", nargs="?", metavar="TEXT", help="what was said, in a few words")
    parser.add_argument("--at", metavar="TIME", help="when the call was (default: now)")
    parser.add_argument("--spoke-to", metavar="NAME", default="", help="who answered")
    parser.add_argument("--ticket", metavar="NUMBER", default="", help="the ticket number they gave")
    parser.add_argument("--promised", metavar="DAY", default="", help="by when it was promised, 2026-03-05")
    parser.add_argument("--list", action="store_true", help="show the calls")
    parser.add_argument("--remove", type=int, metavar="N", help="take call N back")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where collected records are kept")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _short(text: str, option: str, most: int) -> str:
    line = " ".join(text.split())
    if len(line) > most or not line.isprintable():
        raise DataError(f"{option}: keep it on one line, {most} printable characters")
    return line


def _new(args: argparse.Namespace) -> CallNote:
    text = _short(args.text, "TEXT", MOST_CALL_TEXT)
    if not text:
        raise DataError("TEXT: say in a few words what was said")
    at = past_time(args.at, "note a call once it was made")
    if args.promised and not is_day(args.promised):
        raise DataError(f"--promised {args.promised}: no day of the calendar; write it as 2026-03-05")
    return CallNote(
        at_ns=at,
        text=text,
        spoke_to=_short(args.spoke_to, "--spoke-to", MOST_SHORT),
        ticket=_short(args.ticket, "--ticket", MOST_SHORT),
        promised=args.promised,
    )


def _listed(calls: dict[int, CallNote]) -> str:
    if not calls:
        return 'no call is noted yet; note one with: whichhop call-log HOME "what was said"'
    rows = [
        (str(n), instant_text(c.at_ns), c.spoke_to, c.ticket, c.promised, c.text) for n, c in calls.items()
    ]
    return table(("call", "when", "spoke to", "ticket", "promised by", "what was said"), rows)


def _done(args: argparse.Namespace, store: Store) -> Answer[CallNote]:
    book = Notebook(noun="call", kept=store.calls, add=store.add_call, remove=store.remove_call)
    if args.list:
        return _listed(store.calls()), store.calls()
    if args.remove is not None:
        return taken_back(book, args.remove)
    call = _new(args)
    number = added(book, call)
    more = "".join(
        f", {name} {value}"
        for name, value in (("ticket", call.ticket), ("promised by", call.promised))
        if value
    )
    return f"noted: call {number}, {instant_text(call.at_ns)}, {call.text}{more}", {number: call}


def run(args: argparse.Namespace) -> int:
    """Note, list or take back."""
    if not is_one_asked(args):
        raise WhichhopError('say what was said: whichhop call-log HOME "TEXT"; or give --list or --remove N')
    if args.text is None and (args.spoke_to or args.ticket or args.promised or args.at):
        raise WhichhopError(
            "--at, --spoke-to, --ticket and --promised belong to a call's TEXT; give that too"
        )
    return answer(args, read_home(args.home), partial(_done, args))
