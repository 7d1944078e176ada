"""What an option may be written to: never to what the same command reads, nor to a home's keys."""

import argparse
from pathlib import Path

from whichhop.config.epochs import epoch_path, owner_path
from whichhop.config.files import refuse_over
from whichhop.config.found_addresses import found_addresses_path
from whichhop.config.keys import key_path_for
from whichhop.config.known_agents import known_agents_path

_BESIDE = (
    ("the home's key", key_path_for),
    ("the home's owner", owner_path),
    ("the home's list of agents", known_agents_path),
    ("the home's revocations", epoch_path),
    ("the home's list of addresses", found_addresses_path),
)


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")


def refuse_over_inputs(args: argparse.Namespace, *names: str) -> None:
    """WhichhopError where an output of these names is an input too, a home's own file, a store or each other.

    To be asked before the work: what is found at its end has cost the reader all of it.
    """
    outputs = [(_option(name), path) for name in names if isinstance(path := getattr(args, name), Path)]
    inputs = {n: p for n, p in vars(args).items() if isinstance(p, Path) and n not in names}
    kept = [("the home file" if n == "home" else _option(n), p) for n, p in inputs.items()]
    if isinstance(home := inputs.get("home"), Path) and home.name:
        kept += [(words, beside(home)) for words, beside in _BESIDE]
    refuse_over(outputs, kept)
