"""`whichhop start`: from nothing to a first answer: looks around, asks, measures three minutes, tells."""

import argparse
import asyncio
import json
import os
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from whichhop.app.collect import Opened, Source, opened
from whichhop.app.first_look import LINES, Target, home_file, line_of, node_name, target_of
from whichhop.app.store_windows import compared
from whichhop.cli.join import add_joining, join_home
from whichhop.cli.setup import owner_words
from whichhop.cli.span import nothing_measured
from whichhop.compare.comparison import Comparison, comparison_data
from whichhop.compare.suspects.vantage import separation
from whichhop.compare.words import NO_FAULT, explain, not_measured_words
from whichhop.config.check import read_home
from whichhop.config.keys import create_key, key_path_for
from whichhop.config.meant_values import address_remedy, target_remedy
from whichhop.config.owner import make_owner
from whichhop.config.texts import address, target
from whichhop.daemon.options import default_store
from whichhop.errors import DataError, WhichhopError
from whichhop.model import Home, Node, derive_sessions
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S
from whichhop.net.child import our_module, run_child
from whichhop.net.clock import SystemClock
from whichhop.net.surroundings import Surroundings, addresses_of_name, look_around
from whichhop.printable import shown

EPILOG = """\
examples:
  whichhop start
  whichhop start --target harbour.example.net --line cable
  whichhop start --yes --seconds 60
  whichhop start --join 192.0.2.10        a second machine; `whichhop invite` on the first shows the code

Looks at this machine, says what it would probe, and asks once. Then it measures for three minutes, answers,
and leaves a home file that you can add to: run it again and it goes on with that file. Past the router,
nothing is probed unless you name a target that you may probe; without one nothing is determined about the
access line.
"""
DEFAULT_FILE = Path("home.yaml")
SECONDS = 200
"""A fault that was there before the first packet is named after three minutes at the earliest."""
LEAST_SECONDS, MOST_SECONDS = 30, 3600
TOLD_EVERY_S = 10
SETTLE_S = 10.0
"""The agent is given this long to end, so that its last minute is kept."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument(
        "home",
        nargs="?",
        type=Path,
        default=DEFAULT_FILE,
        metavar="HOME",
        help="the home file to make or use",
    )
    parser.add_argument(
        "--target", metavar="NAME", help="a machine upstream that you may probe: name, address"
    )
    parser.add_argument(
        "--line",
        metavar="WORD",
        help=f"what the access line runs over: {', '.join(LINES[:-1])}, or another word for one of them",
    )
    parser.add_argument("--gateway", metavar="ADDRESS", help="the router, where this machine cannot tell")
    parser.add_argument("--seconds", type=int, default=SECONDS, metavar="N", help=f"{SECONDS} by default")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where records are kept")
    parser.add_argument(
        "--join", metavar="ADDRESS", help="join the home of the machine that shows a code, then measure"
    )
    add_joining(parser)
    parser.add_argument("--yes", action="store_true", help="probe what is shown without asking")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")


def _gateway(written: str | None) -> str | None:
    """The router's address as it was written; WhichhopError with what to write instead."""
    try:
        return None if written is None else address(written)
    except ValueError as why:
        raise WhichhopError(f"--gateway {shown(written)}: {why}; {address_remedy(str(written))}") from None


def _new_file(args: argparse.Namespace) -> tuple[str, str]:
    """The text of a new home file, and this machine's node in it."""
    line = line_of(args.line)
    here = look_around(_gateway(args.gateway))
    node = node_name(here.name)
    upstream = _target(args.target, node) if args.target else None
    if upstream and upstream.address in (here.gateway, here.address):
        raise DataError(
            f"--target {args.target}: is {upstream.address}, in this home; name a machine upstream"
        )
    joined = f"by {'Wi-Fi' if here.radio else 'cable'}" + (f" ({here.interface})" if here.interface else "")
    _say(f"This machine: {node}, {here.address}, joined {joined}; its router: {here.gateway}.")
    text = home_file(
        here,
        node=node,
        radio=bool(here.radio),
        line=line,
        target=upstream,
        low_ports=not hasattr(os, "geteuid") or os.geteuid() == 0,
    )
    return text, node


def _target(said: str, node: str) -> Target:
    try:
        said = target(said)
    except ValueError as why:
        raise WhichhopError(f"--target {shown(said)}: {why}; {target_remedy(said)}") from None
    return target_of(said, addresses_of_name(said)[0], node)


def _own_node(home: Home, here: Surroundings) -> Node:
    """This machine in a file that is there already; DataError with the lines to add where it is not."""
    for node in home.agents:
        if node.address == here.address:
            return node
    name = node_name(here.name)
    kind = "wireless" if here.radio else "wired"
    raise DataError(
        f"{home.name}: no agent has this machine's address {here.address}; add under nodes:"
        f" `{name}: {{kind: host, address: {here.address}, agent: true}}` and under links:"
        f" `{{join: [{name}, ROUTER], kind: {kind}}}`, with the node that it is joined to for ROUTER"
    )


def _plan_words(home: Home, node: str, seconds: int) -> str:
    """What would be probed, a line each."""
    named = {n.name: n.host_name for n in home.nodes.values() if n.host_name}
    first_hop = "the provider's first hop, once it is found on the way to the target"
    lines = [f"For {seconds} s it would send a packet a second each to:"]
    for session in derive_sessions(home):
        if session.key.agent == node:
            where = session.address or named.get(session.key.target) or first_hop
            lines.append(f"  {session.key.target:<14} {where} ({session.key.method})")
    return "\n".join([*lines, "and to nothing else."])


def _join(args: argparse.Namespace, file: Path) -> str | None:
    """This machine's node where it joins a home first; None where it was not asked to."""
    if args.join is None:
        given = [f"--{name}" for name in ("code", "name", "address") if getattr(args, name) is not None]
        if given:
            raise WhichhopError(f"{given[0]}: is for --join ADDRESS; give both, or neither")
        return None
    done = join_home(args, args.join, file, args.store)
    _say(f"joined as {done.node}; its key: {done.key} (the other screen shows the same)")
    return done.node


def _agreed(args: argparse.Namespace) -> bool:
    if args.yes:
        return True
    if not sys.stdin.isatty():
        raise WhichhopError("start asks before it probes, and nobody can answer here; say so with --yes")
    sys.stderr.write("Start? [y/N] ")
    sys.stderr.flush()
    return sys.stdin.readline().strip().lower() in ("y", "yes")


def _measure(file: Path, node: str, store: Path, seconds: int) -> None:
    """Run the agent for a while, as `whichhop run` does; WhichhopError, with its last line, if it ends."""
    asyncio.run(
        _run_agent(our_module("whichhop", "run", str(file), "--node", node, "--store", str(store)), seconds)
    )


async def _run_agent(argv: Sequence[str], seconds: int) -> None:
    telling = asyncio.ensure_future(_tell_time(seconds))
    try:
        ended = await run_child(argv, most_s=seconds, end_s=SETTLE_S)
    except TimeoutError:
        return  # it measured to the end, and was asked to end then
    finally:
        telling.cancel()
    raise WhichhopError(f"the agent ended early: {ended.last_error('it said nothing')}")


async def _tell_time(seconds: int) -> None:
    for left in range(seconds, 0, -TOLD_EVERY_S):
        _say(f"measuring, {left} s to go")
        await asyncio.sleep(TOLD_EVERY_S)


def _found(source: Opened, home: Home, since_ns: int) -> Comparison:
    end = SystemClock().utc_ns()
    start = since_ns - since_ns % (10 * NS_PER_S)
    readings = list(source.store.readings(from_ns=start - NS_PER_MINUTE, to_ns=end))
    found = compared(source, home, readings, start_ns=start, end_ns=end)
    if found is None:
        raise nothing_measured(source, start, end)
    return found


def _advice(home: Home) -> list[str]:
    """Where one more agent or target would help most."""
    return [a.words for a in separation(home, derive_sessions(home)).advice[:2]]


def _text(file: Path, node: str, found: Comparison) -> str:
    unmeasured = not_measured_words([k for k in found.home.links if k.name in found.unmeasured], str(file))
    lines = [line for verdict in found.verdicts for line in explain(verdict)] or [NO_FAULT]
    lines += [unmeasured] if unmeasured else []
    lines += [f"To tell more apart: {words}." for words in _advice(found.home)]
    lines += [
        "",
        f"The home file is {file}; look through it and add what else is in the home.",
        f"To go on measuring:  whichhop run {file} --node {node}",
        f"To hear which hop is slow:  whichhop compare {file}",
    ]
    return "\n".join(lines) + "\n"


def _data(file: Path, node: str, found: Comparison) -> dict[str, Any]:
    return comparison_data(found) | {"home_file": str(file), "node": node, "advice": _advice(found.home)}


def run(args: argparse.Namespace) -> int:
    """Look, ask, measure, answer. Exit code 1 when the user says no."""
    if not LEAST_SECONDS <= args.seconds <= MOST_SECONDS:
        raise WhichhopError(f"--seconds {args.seconds}: from {LEAST_SECONDS} to {MOST_SECONDS}, please")
    file: Path = args.home
    joined = _join(args, file)
    if file.exists():
        if args.target or args.line is not None:
            raise WhichhopError(f"{file} is there already; write targets and the line's medium in it")
        home = read_home(file)
        node = joined or _own_node(home, look_around(_gateway(args.gateway))).name
    else:
        text, node = _new_file(args)
        with tempfile.TemporaryDirectory() as folder:
            draft = Path(folder) / file.name
            draft.write_text(text)
            home = read_home(draft)
    _say(_plan_words(home, node, args.seconds))
    if not _agreed(args):
        _say("nothing was probed and nothing was written")
        return 1
    if not file.exists():
        file.write_text(text)
        _say(f"written: {file}")
    if not key_path_for(file).exists():
        create_key(key_path_for(file))
        if (word := make_owner(file)) is not None:
            _say(owner_words(word))
    store = args.store or default_store(node)
    began = SystemClock().utc_ns()
    _measure(file, node, store, args.seconds)
    with opened(Source(home_file=file, store=store, offline=True), home, _say) as source:
        found = _found(source, home, began)
    if args.json:
        sys.stdout.write(json.dumps(_data(file, node, found), indent=2) + "\n")
    else:
        sys.stdout.write(_text(file, node, found))
    return 0
