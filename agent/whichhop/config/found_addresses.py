"""Where agents that the home file gives no address were found last: a file that the daemon keeps.

It stands beside the home file, ending in .addresses; where that folder is not the daemon's to write, it is
beside the agent's records, and the environment of the daemon's children names it.
"""

import os
from collections.abc import Mapping
from ipaddress import ip_address
from pathlib import Path

import msgspec
from msgspec.structs import replace

from whichhop.config.files import ReadError, WriteError, read_small, replace_file
from whichhop.model import Home
from whichhop.outside import OutsideError, typed

VARIABLE = "WHICHHOP_ADDRESSES"
MOST_OCTETS = 64 * 1024


def found_addresses_path(home_file: Path) -> Path:
    """Beside the home file."""
    return home_file.with_suffix(".addresses")


def read_found(home_file: Path, environ: Mapping[str, str] = os.environ) -> dict[str, str]:
    """Address by agent; empty where nothing was found yet. A damaged file is found anew, and so no error."""
    path = Path(environ.get(VARIABLE) or found_addresses_path(home_file))
    try:
        told = typed(read_small(path, MOST_OCTETS) or b"{}", str(path), dict[str, str], most=MOST_OCTETS)
        return {name: str(ip_address(address)) for name, address in told.items()}
    except (ReadError, OutsideError, ValueError):
        return {}


def keep_found(found: Mapping[str, str], home_file: Path, store: Path) -> Path:
    """Keep them where the home file is, or else beside the records; where they are now. WriteError."""
    text = msgspec.json.encode(dict(found)).decode() + "\n"
    try:
        replace_file(found_addresses_path(home_file), text)
    except WriteError:
        replace_file(found_addresses_path(store), text)
        return found_addresses_path(store)
    return found_addresses_path(home_file)


def with_found(home: Home, found: Mapping[str, str]) -> Home:
    """The home with the addresses of agents that move; one that another node has by the file is left out."""
    taken = {n.address for n in home.nodes.values() if n.address and not n.moves}
    nodes = dict(home.nodes)
    for name, node in home.nodes.items():
        address = found.get(name)
        if node.moves and address is not None and address not in taken:
            nodes[name] = replace(node, address=address)
            taken.add(address)
    return replace(home, nodes=nodes)
