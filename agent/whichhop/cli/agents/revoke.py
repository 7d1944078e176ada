"""`whichhop revoke`: takes a lost machine's agent out of the home, and gives all others a new key."""

import argparse
import getpass
import json
import sys
from pathlib import Path

from msgspec import to_builtins
from msgspec.structs import replace

from whichhop.app.agents.agents_fetch import MOST_S, tell_agents_of_epoch
from whichhop.app.agents.revoking import Revocation, check_revocable, revoke
from whichhop.config.check import read_home
from whichhop.config.epochs import in_force
from whichhop.config.keys import derive_keys
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock

EPILOG = """\
examples:
  whichhop revoke home.yaml laptop
  whichhop revoke home.yaml laptop --json < word.txt

For a machine that was lost, sold or broken into: run this on any other machine of the home whose agent runs.
It asks for the owner's word, which `whichhop setup` or `whichhop start` showed once. The home gets a new key;
agents that run take it over within seconds, agents that are off when they are on again, all in TLS by the key
that each was met with. The revoked one gets nothing and is refused by all; what it measured stays as it is.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("agent", metavar="AGENT", help="the node whose agent is revoked")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")
    parser.add_argument("--json", action="store_true", help="print data instead of text")


def _ask_word() -> str:
    if sys.stdin.isatty():
        return getpass.getpass("The owner's word: ")
    return sys.stdin.readline()


def _say(text: str) -> None:
    sys.stderr.write(f"{text}\n")


def _text(done: Revocation, told: list[str], home: Path) -> str:
    later = [name for name in done.left if name not in told]
    lines = [f"{done.agent} is revoked; the home has a new key."]
    lines += [f"Its own key was {done.key}."] if done.key else []
    lines += [f"Told just now: {', '.join(told)}."] if told else []
    lines += [f"They get it when they meet an agent that has it: {', '.join(later)}."] if later else []
    lines += [
        f"{name} was never met here and may be a stranger: whichhop invite {home} --replace {name}"
        for name in done.unmet
    ]
    lines += [
        f"Reports are signed with another key from now on, {done.maker}; tell it to those who check them."
    ]
    return "\n".join(lines) + "\n"


def run(args: argparse.Namespace) -> int:
    """Revoke, and tell whoever runs."""
    check_revocable(args.home, args.agent)
    old = derive_keys(in_force(args.home, args.key).key)
    now_s = SystemClock().utc_ns() // NS_PER_S
    done = revoke(args.home, args.key, args.agent, _ask_word, now_s)
    _say(f"{args.agent} is revoked; telling the other agents, for {MOST_S:.0f} s at most ...")
    told = tell_agents_of_epoch(read_home(args.home), old, done.number, _say)
    # The agent beside these files has the key from the disk, and never met itself.
    done = replace(done, unmet=tuple(name for name in done.unmet if name not in told))
    if args.json:
        sys.stdout.write(json.dumps(to_builtins(done) | {"told": told}) + "\n")
    else:
        sys.stdout.write(_text(done, told, args.home))
    return 0
