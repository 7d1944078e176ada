"""`whichhop join`: makes this machine an agent of a home, by a code that another of its machines shows."""

import argparse
import asyncio
import json
import sys
from ipaddress import ip_address
from pathlib import Path

from whichhop.app.agents.joining import HasJoined, Joining, check_room, join
from whichhop.app.agents.pairing_line import PORT
from whichhop.app.looks.first_look import node_name
from whichhop.config.check import is_name
from whichhop.config.pairing_keys import CodeError, read_code
from whichhop.daemon.options import default_store
from whichhop.errors import SystemRefusedError, WhichhopError
from whichhop.net.listen import host_and_port
from whichhop.net.surroundings import look_around, own_name
from whichhop.wire.pairing import Machine

EPILOG = """\
examples:
  whichhop join 192.0.2.10
  whichhop join 192.0.2.10 --name attic --json < code.txt

Run `whichhop invite HOME` on a machine of the home first: it shows the address and a code. This machine asks
for the code, gets the home file and the home's key, and is known by a key of its own from then on, whose
fingerprint both screens show. Nothing is overwritten, and what fails leaves nothing behind.
"""
DEFAULT_FILE = Path("home.yaml")
MOST_TYPED = 3
"""Slips of the finger that are asked again; they cost no try at the other machine."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("where", metavar="ADDRESS", help=f"of the machine that invites; :PORT unless {PORT}")
    parser.add_argument(
        "home", nargs="?", type=Path, default=DEFAULT_FILE, metavar="HOME", help="the home file to make"
    )
    add_joining(parser)
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def add_joining(parser: argparse.ArgumentParser) -> None:
    """The arguments that `start --join` has too."""
    parser.add_argument("--code", metavar="CODE", help="the code (default: it is asked for)")
    parser.add_argument("--name", metavar="NAME", help="what this machine is called (default: its own name)")
    parser.add_argument("--address", metavar="ADDRESS", help="this machine's address, where it has several")


def _ask_code(given: str | None) -> str:
    if given is not None:
        return read_code(given)
    for left in range(MOST_TYPED - 1, -1, -1):
        if sys.stdin.isatty():
            sys.stderr.write("The code that the other machine shows: ")
            sys.stderr.flush()
        typed = sys.stdin.readline()
        try:
            return read_code(typed)
        except CodeError as why:
            if not left or not sys.stdin.isatty():
                raise
            sys.stderr.write(f"{why}\n")
    raise AssertionError  # the loop returned or raised


def _identity(store: Path | None, node: str) -> Path:
    return (store or default_store(node)).with_suffix(".identity")


def _surroundings(args: argparse.Namespace) -> tuple[str | None, bool]:
    """This machine's router, and whether it is joined by radio, as far as it can tell."""
    try:
        here = look_around(getattr(args, "gateway", None))
    except SystemRefusedError:
        return None, False
    return here.gateway, bool(here.radio)


def check_own_address(given: str | None) -> None:
    """WhichhopError where what was typed as --address is no address; whose it is shows when it is used."""
    if given is not None and is_name(given):
        raise WhichhopError(f"--address {given}: write an address of this machine, such as 192.0.2.20")


def _place(where: str) -> tuple[str, int]:
    """The host and port that were typed; WhichhopError where no machine can be called so."""
    try:
        host, port = host_and_port(where, PORT)
        host.encode("idna")  # what a resolver is asked for
    except ValueError:
        raise WhichhopError(
            f"{where or 'ADDRESS'}: no address; type it as the other screen shows it"
        ) from None
    if not is_name(host) and ip_address(host).is_link_local and ":" in host and "%" not in host:
        raise WhichhopError(
            f"{where}: write behind it by which interface of this machine it is reached: {host}%eth0"
        )
    return host, port


def join_home(args: argparse.Namespace, where: str, home_file: Path, store: Path | None = None) -> HasJoined:
    """Ask for the code and join; WhichhopError in one line when that fails."""
    host, port = _place(where)
    check_own_address(args.address)
    gateway, radio = _surroundings(args)
    name = args.name or node_name(own_name())
    if node_name(name) != name:
        raise WhichhopError(f"--name {name}: not a name for a node; use for instance {node_name(name)}")
    check_room(home_file)
    machine = Machine(name=name, radio=radio, gateway=gateway)
    joining = Joining(
        host=host,
        port=port,
        code=_ask_code(args.code),
        machine=machine,
        home_file=home_file,
        identity_for=lambda node: _identity(store, node),
        address=args.address,
    )
    return asyncio.run(join(joining))


def run(args: argparse.Namespace) -> int:
    """Join, and say how to go on."""
    done = join_home(args, args.where, args.home)
    if args.json:
        data = {"node": done.node, "key": done.key, "home_file": str(done.home_file)}
        sys.stdout.write(json.dumps(data) + "\n")
        return 0
    sys.stdout.write(
        f"This machine joined the home as {done.node}; written: {done.home_file} and its key.\n"
        f"Its key: {done.key}   (the other screen shows the same)\n"
        f"To measure:  whichhop run {done.home_file} --node {done.node}\n"
        f"For a first answer:  whichhop start {done.home_file}\n"
    )
    return 0
