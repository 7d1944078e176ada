"""Brings records into a store: from the home's agents, or from files in the interchange form."""

import argparse
import sys
from pathlib import Path

from whichhop.app.agent_addresses import addresses_of
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.errors import DataError
from whichhop.model import Home, Record
from whichhop.net.http_get import fetch
from whichhop.store.collect import Collected
from whichhop.store.files import read_file
from whichhop.store.gather import gather
from whichhop.store.store import Store


def _say(text: str) -> None:
    sys.stderr.write(text + "\n")


def ask_agents(args: argparse.Namespace, home: Home, store: Store) -> tuple[list[Collected], list[Record]]:
    """Collect what every agent has measured; how each answered, and the minutes that have not settled."""
    token = derive_keys(read_key(args.key or key_path_for(args.home))).api_token

    def progress(agent: str, place: int, last: int) -> None:
        if sys.stderr.isatty():
            _say(f"collecting from {agent}: {place} of {last} records")

    found = gather(store, addresses_of(home), token, fetch, progress)
    for one in found.agents:
        if one.trouble:
            _say(f"{one.agent}: {one.trouble}")
    return list(found.agents), list(found.open_records)


def import_files(folder: Path, store: Store) -> None:
    """Read a folder's files in the interchange form into a store; DataError when there is none."""
    files = sorted(folder.glob("*.jsonl*")) if folder.is_dir() else []
    if not files:
        raise DataError(
            f"--records {folder}: no *.jsonl file there; write one with `whichhop records export`"
        )
    for file in files:
        everything = read_file(file)
        store.append_all(
            (x for x in everything if isinstance(x, Record)),
            (x for x in everything if not isinstance(x, Record)),
        )
