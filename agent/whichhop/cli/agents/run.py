"""`whichhop run`: the agent itself."""

import argparse
import subprocess
from importlib.util import find_spec
from pathlib import Path

from whichhop.daemon.options import RunOptions, default_store
from whichhop.daemon.run import run_agent
from whichhop.errors import INSTALL_COMPARER, WhichhopError
from whichhop.net.child import our_module

EPILOG = """\
examples:
  whichhop run alder.yaml --node attic
  whichhop run alder.yaml --node router --compare

Probes what the home file implies for this node, answers the other agents' probes, keeps minute records and
serves metrics on the node's address. SIGTERM stops it, SIGHUP makes it read the home file again; a home file
with mistakes is then reported and the running one kept. With --compare, best on one machine that is wired to
the router, it also asks all agents every ten seconds which hop is at fault: the answer is in its metrics
(fault_probability_ratio, ongoing_fault_probability_ratio) and at /bulletin.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument(
        "--node",
        metavar="NAME",
        help="the node this machine is; may be left out where the home has one agent",
    )
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument(
        "--store", type=Path, metavar="FILE", help="where records are kept (default: the state folder)"
    )
    parser.add_argument(
        "--compare",
        action="store_true",
        help="also compare what all agents measure (needs the extra `compare`)",
    )


def _check_extra() -> None:
    """Say at once that the comparer's libraries are missing; they are looked for, not loaded."""
    missing = [name for name in ("numpy", "scipy") if find_spec(name) is None]
    if missing:
        raise WhichhopError(f"run --compare needs {' and '.join(missing)}: {INSTALL_COMPARER}")


def _the_one_agent(home_file: Path) -> str:
    """Asked of a child: what reads a home file weighs twenty megabytes, which this process would keep."""
    words = our_module("whichhop.config.handover", str(home_file))
    done = subprocess.run(words, capture_output=True, text=True, check=False)  # noqa: S603 - our own module
    if done.returncode:
        raise WhichhopError(done.stderr.strip())
    agents = done.stdout.splitlines()
    if len(agents) != 1:
        names = ", ".join(f"--node {name}" for name in agents) or "agent: true on a node first"
        raise WhichhopError(f"{home_file}: say which of its agents this machine is: {names}")
    return agents[0]


def run(args: argparse.Namespace) -> int:
    """Run until told to stop."""
    if args.compare:
        _check_extra()
    node = args.node or _the_one_agent(args.home)
    return run_agent(
        RunOptions(
            home_file=args.home,
            node=node,
            key_file=args.key,
            store=args.store or default_store(node),
            compare=args.compare,
        )
    )
