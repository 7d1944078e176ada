"""The verbs a person types; wires rooms together, decides nothing."""

import argparse
import difflib
import errno
import gc
import importlib
import io
import os
import signal
import sys
from collections.abc import Sequence
from typing import Any, NoReturn

from whichhop import __version__
from whichhop.errors import INSTALL_COMPARER, LONGEST_LINE, WhichhopError
from whichhop.printable import printable, shown

# One row a verb: its name, the module here that implements it, one line of help. A module is loaded only when
# its verb is typed, so that the daemon never pays for numpy.
VERBS: tuple[tuple[str, str, str], ...] = (
    ("start", "beginning.start", "look at this machine, measure three minutes, and give a first answer"),
    ("setup", "agents.setup", "make a home's key and say how to start its agents"),
    ("invite", "agents.invite", "show a code by which one more machine joins the home"),
    ("join", "agents.join", "make this machine an agent of a home, by the code of another"),
    ("revoke", "agents.revoke", "take a lost machine's agent out of the home"),
    ("check", "beginning.check", "read a home file; print its sessions and what they can tell apart"),
    ("home-file", "beginning.home_file", "every key of a home file, with the words that are understood"),
    ("run", "agents.run", "run the agent of one node"),
    ("service", "agents.service", "run the agent as a service of this system"),
    ("levels", "line.levels", "read the modem's channels and judge them"),
    (
        "cabling",
        "line.cabling",
        "work out the coax part by part, what a change would gain, and each box's limit",
    ),
    ("status", "answers.status", "say in one screen how the home is now"),
    ("homes", "answers.homes", "many homes on one screen, the worst first, from a metrics server"),
    ("tell", "agents.tell", "say who is told of a fault and by which ways, and try them"),
    ("compare", "answers.compare", "collect what the agents measured and say which hop is at fault"),
    ("note", "note", "note what was changed in the home, and when"),
    ("call-log", "provider.call_log", "note calls to the provider, ticket numbers and promised days"),
    ("before-after", "answers.before_after", "say what a noted change did, link by link"),
    ("transfer", "measuring.transfer", "measure how much a path carries and what that does to delay"),
    ("capacity", "measuring.capacity", "say what each link carries, and whether the plan is delivered"),
    ("advise", "answers.advise", "say what to do next, ranked by what was measured"),
    ("survey", "measuring.survey", "walk the rooms with a laptop and find the dead ones"),
    ("evidence", "provider.evidence", "write a report that a provider can act on, or say what is missing"),
    ("verify", "provider.verify", "hold a report against the raw records, figure by figure"),
    ("route", "measuring.route", "find the routers on the path to the internet and the provider's first hop"),
    ("measures", "measuring.measures", "print a session's figures, each with its standard and interval"),
    ("records", "measuring.records", "export, import and verify measurements"),
    ("lab", "emulated.lab", "run an emulated home in network namespaces, and break it on purpose"),
    ("demo", "emulated.demo", "show the main job on an emulated home, held against the injected fault"),
)


FIRST = """\
first, on a machine of the home:
  whichhop start                          looks around, asks, measures three minutes, answers
then, on each further machine, by a code:
  whichhop invite home.yaml               there
  whichhop join ADDRESS                   here
to go on measuring, also after a restart:
  whichhop service install home.yaml --node NAME --compare
and to hear which hop is at fault:
  whichhop compare home.yaml

Each verb has --help with an example: whichhop start --help
"""
_OUTPUT_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
"""What a disk says that takes no more; files of our own are told by their writers."""
FREE_SPACE = "free some space where it goes, or send it elsewhere"
THREADS = "OMP_NUM_THREADS"
"""How many threads each matrix product takes, as numpy reads it when it is loaded. Ours are small: more than
one thread spends most of its time waiting, spinning, for the others, on a machine that also measures."""
EXTRA = ("numpy", "scipy", "typst")
"""What an agent alone does not carry; verbs that compare need it."""


_UNKNOWN = "unrecognized arguments: "


class _Parser(argparse.ArgumentParser):
    """Tells a mistake in one line, as every verb tells its own, and not below the whole usage."""

    words: Sequence[str] = ()
    """What was typed, to find there what was misspelt."""

    def error(self, message: str) -> NoReturn:
        """End with exit code 2 and what is wrong, what was probably meant, and where to look."""
        what, _, rest = message.partition(_UNKNOWN)
        words = f"not understood: {rest}" if rest else what
        options = [o for o in self._option_string_actions if o.startswith("--")]
        # What is missing is told before what is unknown, which then shows only among the words.
        named = [w.partition("=")[0] for w in (rest.split() if rest else self.words) if w.startswith("--")]
        unknown = next((w for w in named if not any(o.startswith(w) for o in options)), "")
        close = difflib.get_close_matches(unknown[:64].lower(), options, n=1) if unknown else []
        meant = f"did you mean {close[0]}? " if close else ""
        line = printable(f"{self.prog}: {words}", LONGEST_LINE)
        self.exit(2, f"{line}; {meant}all its options: {self.prog} --help\n")


def _overview() -> argparse.ArgumentParser:
    """The command line as far as a verb's name."""
    parser = _Parser(
        prog="whichhop",
        description="Which hop of a home's path to the internet is slow, and whose it is.",
        epilog=FIRST,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"whichhop {__version__}")
    verbs = parser.add_subparsers(metavar="VERB", required=True)
    for name, _, line in VERBS:
        verbs.add_parser(name, help=line)
    return parser


def _loaded(name: str) -> Any:
    found = importlib.import_module(f"{__name__}.{next(m for n, m, _ in VERBS if n == name)}")
    gc.enable()  # which `__main__` stops for as long as loading takes
    return found


def parsed(name: str, words: Sequence[str]) -> argparse.Namespace:
    """A verb's arguments, in whatever order: argparse itself takes no second one behind an option."""
    line = next(line for n, _, line in VERBS if n == name)
    verb = _Parser(
        prog=f"whichhop {name}", description=line, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    verb.words = words
    _loaded(name).add_arguments(verb)
    if "--" in words:  # whoever says where the options end has put them in order
        return verb.parse_args(words)
    try:
        args = verb.parse_intermixed_args(words)
    except TypeError:  # what has verbs of its own, or hands the rest on, cannot be parsed so
        args = verb.parse_args(words)
    return args


def _no_verb(word: str | None) -> int:
    """All verbs where somebody asked for them or typed none; else the one that was meant."""
    if word in (None, "help"):
        _overview().print_help(sys.stdout if word else sys.stderr)
        return 0 if word else 2
    names, typed = [name for name, _, _ in VERBS], str(word)[:64].lower()
    begun = [name for name in names if len(typed) > 1 and name.startswith(typed)]
    close = begun or difflib.get_close_matches(typed, names, n=1)
    meant = (
        f"did you mean {' or '.join(map(repr, close))}?"
        if close
        else "whichhop --help shows them; start is the first"
    )
    sys.stderr.write(f"whichhop {shown(word)}: invalid choice of a verb; {meant}\n")
    raise SystemExit(2)


def _end(number: int, _frame: object) -> None:
    """As Ctrl-C does: temporary folders and half files go. Who runs for long takes the signal itself."""
    raise SystemExit(128 + number)


def _standard_streams() -> None:
    """All three, whatever the caller closed: the next file that is opened would stand in their place."""
    for number, name, mode in ((0, "stdin", "r"), (1, "stdout", "w"), (2, "stderr", "w")):
        if getattr(sys, name) is None:
            descriptor = os.open(os.devnull, os.O_RDWR)
            if descriptor != number:
                os.dup2(descriptor, number)
                os.close(descriptor)
            setattr(sys, name, open(number, mode, closefd=False))  # noqa: SIM115 - for the process's life
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a terminal that cannot write a letter gets its escape
            stream.reconfigure(errors="backslashreplace")


def _give_up_output() -> None:
    """Nothing more can be written there: no second trouble at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb. Exit code 0 done, 1 the answer is no, 2 something to fix, 130 interrupted."""
    words = sys.argv[1:] if argv is None else list(argv)
    os.environ.setdefault(THREADS, "1")
    _standard_streams()
    if argv is None:  # the process is ours, and what it has begun is put away at its end
        signal.signal(signal.SIGTERM, _end)
    named = next((w for w in words if not w.startswith("-")), None)
    known = any(named == name for name, _, _ in VERBS)
    if not words or (words[0] == named and not known):
        return _no_verb(named)
    if named is None or words[0] != named:  # --help, --version, or a mistake before it
        _overview().parse_args(words)
        raise SystemExit(2)
    return _ran(named, words[1:])


def _ran(named: str, words: Sequence[str]) -> int:
    code = 2
    try:
        code = int(_loaded(named).run(parsed(named, words)))
        sys.stdout.flush()
    except ModuleNotFoundError as missing:
        if missing.name not in EXTRA:
            raise
        sys.stderr.write(f"whichhop {named} needs {missing.name}: {INSTALL_COMPARER}\n")
    except WhichhopError as trouble:
        # Whatever another machine's words are in it: nothing acts on the terminal.
        sys.stderr.write("\n".join(map(printable, str(trouble).split("\n"))) + "\n")
    except BrokenPipeError:
        # Whoever reads our output has had enough (head, less): no trouble, and no second one at exit.
        _give_up_output()
        code = 0
    except OSError as refused:
        if refused.errno not in _OUTPUT_FULL:
            raise
        _give_up_output()
        sys.stderr.write(f"standard output: cannot be written ({refused.strerror}); {FREE_SPACE}\n")
    except KeyboardInterrupt:
        sys.stderr.write("interrupted\n")
        code = 130
    return code
