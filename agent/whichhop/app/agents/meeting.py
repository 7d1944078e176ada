"""Meets an agent for the first time: it proves to hold the home's key, and is known by its own from then on.

Run as a short child of the daemon: `python -m whichhop.app.agents.meeting HOME KEY ADDRESS`.
"""

import asyncio
import sys
from pathlib import Path

import msgspec

from whichhop.app.agents.agents_fetch import Identified, identified
from whichhop.config.check import read_home
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.config.known_agents import KnownAgents, known_agents_path, read_known, write_known
from whichhop.errors import RemoteError, WhichhopError
from whichhop.net.listen import authority
from whichhop.net.tls import is_held_at

ASK_S = 5.0


def meet(home_file: Path, key_file: Path, address: str) -> Identified:
    """The agent there, which is written down; WhichhopError when it is none, or not the one it was."""
    home, keys = read_home(home_file), derive_keys(read_key(key_file))
    base = f"http://{authority(address, home.ports.api)}"
    met = identified(base, keys, seconds=ASK_S)
    if met.agent not in {n.name for n in home.agents}:
        raise RemoteError(f"{base}: is the agent {met.agent}, which is not in {home_file}")
    path = known_agents_path(home_file)
    known = dict(read_known(path).certificates)
    if known.get(met.agent, met.certificate) != met.certificate:
        raise RemoteError(
            f"{base}: says that it is {met.agent}, with another key than before; if that machine was set up"
            f" again, invite it: whichhop invite {home_file} --replace {met.agent}"
        )
    if not asyncio.run(is_held_at(address, home.ports.tls, met.certificate, ASK_S)):
        raise RemoteError(f"{base}: does not hold the key that it shows")
    write_known(path, KnownAgents(certificates={**known, met.agent: met.certificate}))
    return met


def main(words: list[str]) -> int:
    """Print the agent's name, JSON; complaints on stderr with exit code 2. words: HOME KEY ADDRESS."""
    home_file, key_file, address = words
    try:
        key = Path(key_file) if key_file else key_path_for(Path(home_file))
        met = meet(Path(home_file), key, address)
    except WhichhopError as trouble:
        sys.stderr.write(f"{trouble}\n")
        return 2
    sys.stdout.buffer.write(msgspec.json.encode({"agent": met.agent}))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
