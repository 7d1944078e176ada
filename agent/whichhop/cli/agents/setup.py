"""`whichhop setup`: makes the home's key, and says what each agent's machine needs."""

import argparse
import sys
from pathlib import Path

from whichhop.config.check import read_home
from whichhop.config.epochs import make_owner, owner_path
from whichhop.config.keys import create_key, derive_keys, key_path_for, read_key
from whichhop.model.chain_signature import fingerprint

EPILOG = """\
example:
  whichhop setup alder.yaml

Makes alder.key beside alder.yaml (32 random octets, readable by you alone) unless it is there, and
prints what to copy to which machine and how to start each agent.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The verb's arguments."""
    parser.epilog = EPILOG
    parser.add_argument("home", type=Path, metavar="HOME", help="the home file (YAML)")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the key file (default: HOME's name, .key)")


def owner_words(word: str) -> str:
    """The owner's word, shown once, with what it is for."""
    return (
        f"The owner's word: {word}\n"
        "  Write it down on paper: it is shown this once and kept nowhere. When a machine is lost,\n"
        "  `whichhop revoke HOME AGENT` asks for it.\n"
    )


def run(args: argparse.Namespace) -> int:
    """Make the key when missing; print the next steps."""
    home = read_home(args.home)
    key = args.key or key_path_for(args.home)
    if key.exists():
        read_key(key)
        sys.stdout.write(f"{key}: the home's key is there and sound.\n")
    else:
        create_key(key)
        sys.stdout.write(f"{key}: a new key was made; keep it as safe as a password.\n")
    word = make_owner(args.home)
    if word is not None:
        sys.stdout.write(owner_words(word))
    keys = derive_keys(read_key(key))
    short = fingerprint(keys.maker)
    sys.stdout.write(
        f"Reports of this home are signed with the key {short}; tell it to those who check them.\n"
    )
    if not home.page_open:
        sys.stdout.write(f"The page is closed; its password (any user name): {keys.page_password}\n")
    sys.stdout.write(
        f"Copy {args.home}, {key}, {owner_path(args.home)} to each of these machines, then start its agent:\n"
    )
    for node in home.agents:
        where = f" ({node.address})" if node.address else ""
        sys.stdout.write(f"  {node.name}{where}: whichhop run {args.home.name} --node {node.name}\n")
    return 0
