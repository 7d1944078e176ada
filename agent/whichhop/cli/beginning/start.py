"""`whichhop start`: from nothing to a first answer: looks around, asks, measures three minutes, tells."""

import argparse
import asyncio
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from whichhop.app.looks.first_look import (
    LINES,
    NOTHING,
    node_name,
)
from whichhop.app.looks.modem_look import USUAL, ModemLook
from whichhop.app.looks.under_load import GAP_S, load_by_hop
from whichhop.app.stored.collect import Opened, Source, opened
from whichhop.app.stored.store_seconds import silent_targets
from whichhop.app.stored.store_windows import compared
from whichhop.cli.agents.join import add_joining, join_home
from whichhop.cli.agents.setup import owner_words
from whichhop.cli.beginning.start_answer import Answer
from whichhop.cli.beginning.start_asking import (
    LOAD_MB,
    LOAD_S,
    LOAD_WHOLE_S,
    Draft,
    Load,
    answer_to,
    ask_router_and_modem,
    asked_words,
    drafted,
    gateway_of,
    load_of,
    loaded,
    new_draft,
    say,
)
from whichhop.cli.collecting import nothing_measured
from whichhop.compare.comparison import Comparison
from whichhop.config.check import read_home
from whichhop.config.epochs import make_owner
from whichhop.config.files import check_writable, write_output
from whichhop.config.keys import create_key, key_path_for
from whichhop.daemon.options import default_store
from whichhop.errors import DataError, WhichhopError
from whichhop.model import Home, Node, derive_sessions
from whichhop.model.transfer import UPSTREAM
from whichhop.model.units import NS_PER_S
from whichhop.net.child import our_module, run_child
from whichhop.net.clock import SystemClock
from whichhop.net.surroundings import Surroundings, look_around
from whichhop.printable import printable, shown

EPILOG = """\
examples:
  whichhop start
  whichhop start --target harbour.example.net --line cable --plan 250/25
  whichhop start --yes --seconds 60
  whichhop start --target harbour.example.net --transfer https://harbour.example.net/large.bin
  whichhop start --modem 192.168.100.1    reads the modem's levels; where cable modems have their page
  whichhop start --join 192.0.2.10        a second machine; `whichhop invite` on the first shows the code

Looks at this machine, says what it would ask and probe, and asks you once. Then it measures for three
minutes, with --transfer under load too, answers, and leaves a home file that you can add to: run it again and
it goes on with that file. Past the router, nothing is probed unless you name a target that you may probe;
without one nothing is determined about the access line. The modem is read, and a file fetched, only where you
say so by option or when asked: --yes alone does neither.
"""
DEFAULT_FILE = Path("home.yaml")
ELSEWHERE = "make it, or name a file in a folder where you may write"
SECONDS = 200
"""What was there before the first packet is named after two minutes where it is plain, else after three or
more."""
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
    parser.add_argument(
        "--plan", metavar="DOWN/UP", help="the rates that are paid for, in Mbit/s, such as 250/25"
    )
    parser.add_argument("--gateway", metavar="ADDRESS", help="the router, where this machine cannot tell")
    parser.add_argument(
        "--modem", metavar="ADDRESS", help=f"read the modem there, or its page at a URL; often {USUAL}"
    )
    parser.add_argument(
        "--transfer",
        metavar="URL",
        help=f"a file that you may fetch, for {LOAD_S} s at most, to see latency under load;"
        " with a home file that is there: another agent of it, or `upstream`",
    )
    parser.add_argument("--seconds", type=int, default=SECONDS, metavar="N", help=f"{SECONDS} by default")
    parser.add_argument("--store", type=Path, metavar="FILE", help="where records are kept")
    parser.add_argument(
        "--join", metavar="ADDRESS", help="join the home of the machine that shows a code, then measure"
    )
    add_joining(parser)
    parser.add_argument("--yes", action="store_true", help="probe what is shown without asking")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


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


def _plan_words(home: Home, node: str, seconds: int, transfer: str | None) -> str:
    """What would be probed, a line each."""
    named = {n.name: n.host_name for n in home.nodes.values() if n.host_name}
    first_hop = "the provider's first hop, once it is found on the way to the target"
    lines = [f"For {seconds} s it would send a packet a second each to:"]
    for session in derive_sessions(home):
        if session.key.agent == node:
            where = session.address or named.get(session.key.target) or first_hop
            lines.append(f"  {session.key.target:<14} {where} ({session.key.method})")
    load = (
        []
        if transfer is None
        else [f"then, for {LOAD_S} s and {LOAD_MB} MB at most, a transfer: {printable(transfer, 200)}"]
    )
    return "\n".join([*lines, *load, "and to nothing else."])


def _write(file: Path, text: str) -> None:
    write_output(file, text.encode())
    say(f"written: {file}")


def _join(args: argparse.Namespace, file: Path) -> str | None:
    """This machine's node where it joins a home first; None where it was not asked to."""
    if args.join is None:
        return None
    done = join_home(args, args.join, file, args.store)
    say(f"joined as {done.node}; its key: {done.key} (the other screen shows the same)")
    return done.node


def _agreed(args: argparse.Namespace) -> bool:
    if args.yes:
        return True
    return answer_to("Start? [y/N] ").lower() in ("y", "yes")


def _measure(file: Path, node: str, store: Path, seconds: int, load: Load | None) -> dict[str, Any] | None:
    """Run the agent for a while, as `whichhop run` does, then under load; what the load came to.

    WhichhopError, with the agent's last line, if it ends.
    """
    words = ("run", str(file), "--node", node, "--store", str(store))
    return asyncio.run(_run_agent(our_module("whichhop", *words), seconds, load))


async def _run_agent(argv: Sequence[str], seconds: int, load: Load | None) -> dict[str, Any] | None:
    telling = asyncio.ensure_future(_tell_time(seconds))
    most_s = seconds + (LOAD_WHOLE_S if load else 0.0)
    agent = asyncio.ensure_future(run_child(argv, most_s=most_s, end_s=SETTLE_S))
    try:
        await asyncio.wait((agent,), timeout=seconds)
        if not agent.done():
            return None if load is None else await loaded(load)
        ended = agent.result()
    except TimeoutError:
        return None  # it measured to the end, and was asked to end then
    finally:
        telling.cancel()
        agent.cancel()
        await asyncio.wait((agent,))
    raise WhichhopError(f"the agent ended early: {ended.last_error('it said nothing')}")


async def _tell_time(seconds: int) -> None:
    for left in range(seconds, 0, -TOLD_EVERY_S):
        say(f"measuring, {left} s to go")
        await asyncio.sleep(TOLD_EVERY_S)


def _found(source: Opened, home: Home, since_ns: int, end: int) -> Comparison:
    start = since_ns - since_ns % (10 * NS_PER_S)
    found = compared(source, home, start_ns=start, end_ns=end)
    if found is None:
        raise nothing_measured(source, start, end)
    return found


def _other_end(args: argparse.Namespace, home: Home) -> str | None:
    """What a home file that is there has for --transfer; WhichhopError with what it takes."""
    said: str | None = args.transfer
    if said is None or said == UPSTREAM:
        return said
    if said in home.downloads:
        return UPSTREAM
    able = [n.name for n in home.nodes.values() if n.has_key]
    if said not in able:
        raise WhichhopError(
            f"--transfer {shown(said)}: not in {args.home}; write a URL under targets.downloads,"
            f" or name one of: {', '.join(able)}, {UPSTREAM}"
        )
    return said


def _refuse_nonsense(args: argparse.Namespace) -> None:
    given = [f"--{name}" for name in ("code", "name", "address") if getattr(args, name) is not None]
    if given and args.join is None:
        raise WhichhopError(f"{given[0]}: is for --join ADDRESS; give both, or neither")
    if not LEAST_SECONDS <= args.seconds <= MOST_SECONDS:
        raise WhichhopError(f"--seconds {args.seconds}: from {LEAST_SECONDS} to {MOST_SECONDS}, please")
    if not args.yes and not sys.stdin.isatty():
        raise WhichhopError("start asks before it probes, and nobody can answer here; say so with --yes")
    if not args.home.parent.is_dir():
        raise WhichhopError(f"{args.home}: there is no folder {args.home.parent}; {ELSEWHERE}")


def _refuse_what_is_for_a_new_file(args: argparse.Namespace) -> None:
    file = args.home
    if args.target or args.line is not None or args.plan is not None:
        raise WhichhopError(f"{file} is there already; write targets, the line's medium and the plan in it")
    if args.modem is not None:
        raise WhichhopError(f"{file} is there already; write `levels: {{snmp: ADDRESS}}` at the modem in it")


def run(args: argparse.Namespace) -> int:
    """Look, ask, measure, answer. Exit code 1 when the user says no."""
    _refuse_nonsense(args)
    file: Path = args.home
    draft: Draft | None = None
    modem: ModemLook | None = None
    joined = _join(args, file)
    if file.exists():
        _refuse_what_is_for_a_new_file(args)
        home = read_home(file)
        node = joined or _own_node(home, look_around(gateway_of(args.gateway))).name
        other_end = _other_end(args, home)
    else:
        check_writable(file)  # before anything is asked of anybody
        draft = new_draft(args)
        node, other_end = draft.node, UPSTREAM if draft.download else None
        home = drafted(draft, NOTHING, file)
        say("\n".join(asked_words(draft)))
    say(_plan_words(home, node, args.seconds, draft.download if draft else other_end))
    if not _agreed(args):
        say("nothing was measured and nothing was written")
        return 1
    if draft is not None:
        found, modem = ask_router_and_modem(draft)
        home = drafted(draft, found, file)
        _write(file, draft.text(found))
    if not key_path_for(file).exists():
        create_key(key_path_for(file))
        if (word := make_owner(file)) is not None:
            say(owner_words(word))
    store = args.store or default_store(node)
    began = SystemClock().utc_ns()
    load = None if other_end is None else load_of(home, file, node, other_end)
    result = _measure(file, node, store, args.seconds, load)
    # What is idle is judged; what the transfer did is told beside it.
    end = SystemClock().utc_ns() if result is None else int(result["start_ns"]) - GAP_S * NS_PER_S
    with opened(Source(home_file=file, store=store, offline=True), home, say) as source:
        silent, nothing = silent_targets(source.store, home, node, began, end)
        answer = Answer(
            file=file,
            node=node,
            found=_found(source, home, began, end),
            result=result,
            hops=[] if result is None else load_by_hop(source.store, home, node, result),
            modem=modem,
            silent=silent,
            nothing_answered=nothing,
            own_traffic=bool(home.counters) or any(n.wan_interface for n in home.nodes.values()),
        )
    if args.json:
        sys.stdout.write(json.dumps(answer.data(), indent=2) + "\n")
    else:
        sys.stdout.write(answer.text())
    return 0
