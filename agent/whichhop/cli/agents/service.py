"""`whichhop service`: the agent as a service of this system, laid down, started, stopped and taken away."""

import argparse
import json
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

from msgspec import to_builtins

from whichhop.app.agents.service import Machine, Ran, by_hand, check_node, install, remove, status, switch
from whichhop.errors import WhichhopError

EPILOG = """\
examples:
  sudo /opt/whichhop/bin/whichhop service install alder.yaml --node attic
  sudo whichhop service stop
  whichhop service status

install writes a systemd unit, /etc/whichhop/home.yaml and the key (readable by root alone), and starts the
agent now and with the system; after an upgrade of whichhop run it again. remove leaves home file, key and
records where they are. Without systemd it says what to do instead (exit code 1).
"""
PATIENCE_S = 120.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("what", choices=("install", "start", "stop", "remove", "status"))
    parser.add_argument("home", nargs="?", type=Path, metavar="HOME", help="to install: the home file")
    parser.add_argument("--node", metavar="NAME", help="the node this machine is (else all installed)")
    parser.add_argument("--compare", action="store_true", help="also compare what all agents measure")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _run(argv: Sequence[str]) -> Ran:
    try:
        done = subprocess.run(  # noqa: S603 # fixed words of ours, no shell
            argv, capture_output=True, text=True, check=False, timeout=PATIENCE_S
        )
    except (OSError, subprocess.TimeoutExpired) as why:
        return Ran(code=1, out=str(why))
    return Ran(code=done.returncode, out=done.stdout + done.stderr)


def this_machine() -> Machine:
    """The system that this process runs on, and the whichhop that it is."""
    beside = Path(sys.executable).with_name("whichhop")
    return Machine(
        root=Path("/"),
        run=_run,
        administrator=not hasattr(os, "geteuid") or os.geteuid() == 0,
        platform=sys.platform,
        program=beside if beside.exists() else Path(sys.argv[0]).resolve(),
    )


def run(args: argparse.Namespace, machine: Machine | None = None) -> int:
    """Do one thing. Exit code 1 where no systemd is, or where an agent does not run."""
    machine = machine or this_machine()
    if args.what == "install" and (args.home is None or args.node is None):
        raise WhichhopError("install needs both: whichhop service install HOME --node NAME")
    if not machine.has_systemd:
        if args.what == "install":
            check_node(args.home, args.node)
            lines = by_hand(machine, args.home, args.node)
        else:
            lines = ["No systemd runs this system, so no agent is installed here as a service."]
        sys.stdout.write(json.dumps({"by_hand": lines}, indent=2) if args.json else "\n".join(lines))
        sys.stdout.write("\n")
        return 1
    if args.what == "status":
        states = status(machine, args.node)
        lines = [f"{s.node}: {s.active}, {s.enabled}" for s in states]
        data: object = [to_builtins(s) for s in states]
        code = 0 if all(s.active == "active" for s in states) else 1
    else:
        if args.what == "install":
            lines = install(machine, args.home, args.node, compare=args.compare)
        elif args.what == "remove":
            lines = remove(machine, args.node)
        else:
            lines = switch(machine, args.what, args.node)
        data, code = {"done": lines}, 0
    sys.stdout.write(json.dumps(data, indent=2) if args.json else "\n".join(lines))
    sys.stdout.write("\n")
    return code
