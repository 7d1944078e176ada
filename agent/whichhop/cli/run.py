"""`whichhop run`: the agent itself."""

import argparse
from pathlib import Path

from whichhop.daemon.options import RunOptions, default_store
from whichhop.daemon.run import run_agent

EPILOG = """\
example:
  whichhop run alder.yaml --node attic

Probes what the home file implies for this node, answers the other agents' probes, keeps minute records and
serves metrics on the node's address. SIGTERM stops it, SIGHUP makes it read the home file anew; a home file
with mistakes is then reported and the running one kept.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--node", required=True, metavar="NAME", help="the node this machine is")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument(
        "--store", type=Path, metavar="FILE", help="where records are kept (default: the state folder)"
    )


def run(args: argparse.Namespace) -> int:
    """Run until told to stop."""
    return run_agent(
        RunOptions(
            home_file=args.home,
            node=args.node,
            key_file=args.key,
            store=args.store or default_store(args.node),
        )
    )
