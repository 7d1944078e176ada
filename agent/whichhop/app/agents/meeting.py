"""Meets an agent for the first time: it proves to hold the home's key, and is known by its own from then on.

Run as a short child of the daemon: `python -m whichhop.app.agents.meeting HOME KEY API TLS AGENTS ADDRESS`.
It meets strangers too, so it is told what it needs of the home (two ports, and the agents' names with commas
between) and does not load what reads a home file, which is most of such a process's work.
"""

import sys
from pathlib import Path

import msgspec
from msgspec import Struct

from whichhop.app.agents.agents_fetch import Identified, identified
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.config.known_agents import KnownAgents, known_agents_path, read_known, write_known
from whichhop.errors import RemoteError, WhichhopError
from whichhop.net.listen import authority
from whichhop.net.tls import holds

ASK_S = 5.0


class Ours(Struct, frozen=True, kw_only=True):
    """What is asked of the home: the ports of all its agents, and their names."""

    api_port: int
    tls_port: int
    agents: frozenset[str]


def meet(home_file: Path, key_file: Path, address: str, ours: Ours) -> Identified:
    """The agent there, which is written down; WhichhopError when it is none, or not the one it was."""
    keys = derive_keys(read_key(key_file))
    base = f"http://{authority(address, ours.api_port)}"
    met = identified(base, keys, seconds=ASK_S)
    if met.agent not in ours.agents:
        raise RemoteError(f"{base}: is the agent {met.agent}, which is not in {home_file}")
    path = known_agents_path(home_file)
    known = dict(read_known(path).certificates)
    if known.get(met.agent, met.certificate) != met.certificate:
        raise RemoteError(
            f"{base}: says that it is {met.agent}, with another key than before; if that machine was set up"
            f" again, invite it: whichhop invite {home_file} --replace {met.agent}"
        )
    if not holds(address, ours.tls_port, met.certificate, ASK_S):
        raise RemoteError(f"{base}: does not hold the key that it shows")
    write_known(path, KnownAgents(certificates={**known, met.agent: met.certificate}))
    return met


def main(words: list[str]) -> int:
    """Print the agent's name, JSON; complaints on stderr with exit code 2. words as above."""
    home_file, key_file, api, tls, agents, address = words
    ours = Ours(api_port=int(api), tls_port=int(tls), agents=frozenset(agents.split(",")))
    try:
        key = Path(key_file) if key_file else key_path_for(Path(home_file))
        met = meet(Path(home_file), key, address, ours)
    except WhichhopError as trouble:
        sys.stderr.write(f"{trouble}\n")
        return 2
    sys.stdout.buffer.write(msgspec.json.encode({"agent": met.agent}))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
