"""`whichhop lab`: an emulated home in network namespaces, to play with and to break on purpose."""

import argparse
import json
import os
import select
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

from whichhop.config.check import read_home
from whichhop.errors import WhichhopError
from whichhop.lab.build import folders
from whichhop.lab.build.enter_node import choose, run_inside
from whichhop.lab.console import answer, home_map, map_text
from whichhop.lab.emulated_home import EmulatedHome
from whichhop.lab.links.elements import check_effect, find_spot
from whichhop.lab.links.fault_words import parse_fault
from whichhop.lab.scenario import Scenario
from whichhop.lab.standard_home import alder_scenario, ordinary_natures
from whichhop.net.clock import SystemClock

EPILOG = """\
examples:
  whichhop lab                                          a home; type help
  whichhop lab --seconds 60 --fault 'desk/attic:delay 50ms jitter 20ms'
  whichhop lab --exec desk -- ping -c 3 198.51.100.7    in the running home, or in one made for it
  whichhop lab --clean                                  remove what a killed home left

Packets stay inside the namespaces. Exit code 0 done, 2 something to fix; with --exec the command's own.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument(
        "--home", type=Path, metavar="FILE", help="build this home file instead of Alder House"
    )
    parser.add_argument("--seconds", type=float, metavar="N", help="end by itself after N seconds")
    parser.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="ELEMENT:EFFECT",
        help="a fault from the start, such as 'attic/router:loss 5%%'; may be repeated",
    )
    parser.add_argument(
        "--relay",
        action="append",
        default=[],
        metavar="LINK",
        help="give a plain wire (or: all) the relay, so that it can delay too",
    )
    parser.add_argument("--seed", type=int, default=1, help="of the dice that lose and delay packets")
    parser.add_argument("--json", action="store_true", help="print one JSON line an answer")
    parser.add_argument("--token", help="the running home that --exec means, where several run")
    parser.add_argument("--exec", metavar="NODE", dest="node", help="run COMMAND in a node")
    parser.add_argument("command", nargs="*", metavar="COMMAND", help="after --exec NODE --")
    parser.add_argument("--clean", action="store_true", help="remove leftovers of killed homes, and end")


def _scenario(file: Path | None) -> Scenario:
    if file is None:
        return alder_scenario()
    home = read_home(file)
    return Scenario(name=file.stem, home=home, natures=ordinary_natures(home))


def _lines(seconds: float | None) -> Iterator[str]:
    """Lines of standard input until it ends or the time is up; with a time, an ended input is just silent."""
    clock = SystemClock()
    end = None if seconds is None else clock.mono_ns() + int(seconds * 1e9)
    rest, source = b"", [sys.stdin.fileno()]
    while True:
        left = None if end is None else (end - clock.mono_ns()) / 1e9
        if left is not None and left <= 0:
            return
        ready, _, _ = select.select(source, (), (), left)
        if not ready:
            continue
        data = os.read(source[0], 4096)
        if not data:
            if end is None:
                return
            source = []
        *whole, rest = (rest + data).split(b"\n")
        yield from (line.decode(errors="replace") for line in whole)


def _exec(args: argparse.Namespace) -> int:
    if not args.command:
        raise WhichhopError("--exec needs a command: whichhop lab --exec NODE -- COMMAND")
    found = choose(folders.base_folder(), args.token)
    if found is not None:
        return run_inside(found[1], args.node, args.command)
    sys.stderr.write("no emulated home runs; making one for this command\n")
    with EmulatedHome(_scenario(args.home), seed=args.seed, relays=frozenset(args.relay)) as home:
        about = folders.read_about(home.folder)
        if about is None:
            raise WhichhopError(f"{home.folder} has vanished; start again")
        child = os.fork()
        if child == 0:
            # A process that has entered a home cannot leave it, so another one does.
            code = 2
            try:
                code = run_inside(about, args.node, args.command)
            except WhichhopError as trouble:
                sys.stderr.write(f"{trouble}\n")
            finally:
                os._exit(code & 0xFF)
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _say(args: argparse.Namespace, data: dict[str, object], text: str) -> None:
    if data:
        sys.stdout.write((json.dumps(data) if args.json else text) + "\n")
        sys.stdout.flush()


def _end(*_: object) -> None:
    raise SystemExit(128 + signal.SIGTERM)


def run(args: argparse.Namespace) -> int:
    """Build the home, print its map, obey lines until the end."""
    signal.signal(signal.SIGTERM, _end)
    if args.clean:
        gone = folders.clean(folders.base_folder())
        _say(args, {"cleaned": gone}, "\n".join(gone) or "nothing was left over")
        return 0
    if args.node is not None:
        return _exec(args)
    scenario = _scenario(args.home)
    faults = [parse_fault(text) for text in args.fault]
    for element, effect in faults:
        check_effect(find_spot(scenario.home, element), effect)
    sys.stderr.write("building the home and measuring its links\n")
    with EmulatedHome(scenario, seed=args.seed, relays=frozenset(args.relay)) as home:
        data = home_map(home)
        _say(args, data, map_text(data))
        for element, effect in faults:
            number = home.fault(element, effect)
            _say(args, {"fault": number}, f"fault {number}: {home.faults[number]}")
        for line in _lines(args.seconds):
            said = answer(home, line)
            if said is None:
                break
            _say(args, *said)
    sys.stderr.write("the home is gone\n")
    return 0
