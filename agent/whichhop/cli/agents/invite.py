"""`whichhop invite`: shows a code by which one more machine joins the home."""

import argparse
import asyncio
import json
import secrets
import sys
from pathlib import Path
from typing import Any

from whichhop.app.agents.agents_fetch import tell_agents
from whichhop.app.agents.invitation import TRIES, Invitation, Wish
from whichhop.app.agents.inviting import Invited, Inviting, Joined, check_ready
from whichhop.app.agents.pairing_line import PORT
from whichhop.cli.agents.join import check_own_address
from whichhop.cli.agents.setup import owner_words
from whichhop.config.check import read_home
from whichhop.config.epochs import make_owner
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.config.pairing_keys import make_code, read_code
from whichhop.errors import SystemRefusedError, WhichhopError
from whichhop.model import Home
from whichhop.model.units import NS_PER_MINUTE, MonoNs
from whichhop.net.clock import SystemClock
from whichhop.net.listen import authority
from whichhop.net.surroundings import look_around, own_address_toward

MINUTES = 10
MOST_MINUTES = 60
EPILOG = f"""\
examples:
  whichhop invite home.yaml
  whichhop invite home.yaml --behind attic-node --room study --no-address

Shows a code; on the other machine, `whichhop join ADDRESS` or `whichhop start --join ADDRESS` asks for it.
That machine gets the home file and the home's key, encrypted, and only if it has the code; it is written into
the home file here, and running agents take it up by themselves. The code is good for one machine, for
{MINUTES} minutes, and for {TRIES} tries. Copying HOME and its key by hand does the same.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument(
        "--behind", metavar="NODE", help="what the new machine is joined to (default: its router)"
    )
    parser.add_argument("--room", metavar="ROOM", help="where it stands")
    parser.add_argument("--replace", metavar="AGENT", help="an agent that was set up again and has a new key")
    parser.add_argument(
        "--no-address",
        action="store_true",
        help="write no address down: it comes by DHCP, and the agents find each other by their keys",
    )
    parser.add_argument("--minutes", type=int, default=MINUTES, metavar="N", help=f"{MINUTES} by default")
    parser.add_argument(
        "--address", metavar="ADDRESS", help="where to listen (default: this machine's in HOME)"
    )
    parser.add_argument("--port", type=int, default=PORT, metavar="N", help=f"{PORT} by default")
    parser.add_argument(
        "--json", action="store_true", help="print a line of JSON for the code and one at the end"
    )


def own_address(home: Home) -> str:
    """This machine's address: that of the agent that has one here, else the one toward the router."""
    for node in home.agents:
        if node.address is not None and own_address_toward(node.address) == node.address:
            return node.address
    return look_around().address


def _show(args: argparse.Namespace, code: str, place: tuple[str, int]) -> None:
    where = place[0] if place[1] == PORT else authority(*place)
    if args.json:
        _print({"code": code, "address": place[0], "port": place[1], "expires_s": args.minutes * 60})
        return
    sys.stdout.write(
        f"The code: {code}   (one machine, {args.minutes} minutes, {TRIES} tries)\n"
        f"On the other machine:  whichhop join {where}\n"
        "Waiting for it; Ctrl-C ends the invitation.\n"
    )
    sys.stdout.flush()


def _print(data: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(data) + "\n")
    sys.stdout.flush()


def _say(text: str) -> None:
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()


async def _invite(args: argparse.Namespace, host: str) -> Joined:
    clock, code = SystemClock(), make_code(secrets.randbelow)
    invited = Invited(
        home_file=args.home,
        key_file=args.key or key_path_for(args.home),
        wish=Wish(behind=args.behind, room=args.room, replace=args.replace, moves=args.no_address),
    )
    ends = MonoNs(clock.mono_ns() + args.minutes * NS_PER_MINUTE)
    inviting = Inviting(invited, Invitation(read_code(code), ends), clock, _say)
    port = inviting.open(host, args.port)
    _show(args, code, (host, port))
    return await inviting.joined()


def run(args: argparse.Namespace) -> int:
    """Show a code and wait for the machine. Exit code 2 when nobody joined."""
    if not 1 <= args.minutes <= MOST_MINUTES:
        raise WhichhopError(f"--minutes {args.minutes}: from 1 to {MOST_MINUTES}, please")
    if not 0 <= args.port <= 65535:
        raise WhichhopError(f"--port {args.port}: from 1 to 65535, please")
    home = read_home(args.home)
    key = args.key or key_path_for(args.home)
    read_key(key)
    if args.behind is not None and args.behind not in home.nodes:
        raise WhichhopError(
            f"--behind {args.behind}: no node of {args.home}; there are {', '.join(home.nodes)}"
        )
    check_own_address(args.address)
    check_ready(args.home)
    try:
        host = args.address or own_address(home)
    except SystemRefusedError as why:
        raise WhichhopError(f"{why}; or say with --address where to listen") from None
    if (word := make_owner(args.home)) is not None:
        _say(owner_words(word))
    joined = asyncio.run(_invite(args, host))
    told = tell_agents(read_home(args.home), derive_keys(read_key(key)), joined.node, _say)
    if args.json:
        _print(
            {
                "joined": joined.node,
                "address": joined.address,
                "key": joined.key,
                "added": joined.added,
                "told": told,
            }
        )
        return 0
    written = f"written into {args.home}" if joined.added else f"it was in {args.home} already"
    sys.stdout.write(
        f"{joined.node} ({joined.address}) joined; {written}.\n"
        f"Its key: {joined.key}   (the other screen shows the same)\n"
        + (f"Running agents that were told: {', '.join(told)}.\n" if told else "")
    )
    return 0
