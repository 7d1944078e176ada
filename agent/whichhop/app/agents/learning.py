"""Takes over from another agent which agents have joined: each gets two lines in this machine's home file.

Only agents are taken over, at private addresses or in the home's own networks, joined to a node that is known
here: what an agent may probe beyond them is for the person who keeps this file. Run as a child of the daemon:
`python -m whichhop.app.agents.learning HOME KEY FROM`.
"""

import ipaddress
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated

import msgspec

from whichhop.app.agents.agents_fetch import AgentsFetch, tls_addresses_of
from whichhop.config.check import check_home
from whichhop.config.files import replace_file
from whichhop.config.found_addresses import read_found, with_found
from whichhop.config.home_edit import NewAgent, with_agent
from whichhop.config.keys import derive_keys, key_path_for, read_key
from whichhop.config.known_agents import KnownAgents, known_agents_path, read_known, write_known
from whichhop.config.load import load_yaml
from whichhop.errors import WhichhopError
from whichhop.model import Home
from whichhop.outside import typed

MOST_S = 15.0
_NEAR = {4: 24, 6: 64}
"""A public address is the home's own where it shares this prefix with an agent that is in the file."""
_Word = Annotated[str, msgspec.Meta(min_length=1, max_length=80, pattern="^[^\\x00-\\x1f]*$")]


class _ToldNode(msgspec.Struct, frozen=True):
    name: Annotated[str, msgspec.Meta(pattern="^[a-z][a-z0-9-]{0,31}$")]
    kind: _Word
    agent: bool
    address: _Word | None = None
    room: _Word | None = None


class _ToldLink(msgspec.Struct, frozen=True):
    near: _Word
    far: _Word
    kind: _Word
    medium: _Word | None = None


class Told(msgspec.Struct, frozen=True):
    """What /api/home says of agents. known: certificates, PEM."""

    nodes: list[_ToldNode]
    links: list[_ToldLink]
    known: dict[str, str] = {}


def joined_since(home: Home, told: Told) -> tuple[list[NewAgent], list[str]]:
    """Agents that `told` has and `home` has not, each behind what it is joined to; and refusals."""
    known, found, refused = set(home.nodes), [], []
    waiting = {n.name: n for n in told.nodes if n.agent and n.name not in known}
    links = {k.near: k for k in told.links}
    while ready := [n for n in waiting.values() if n.name in links and links[n.name].far in known]:
        for node in ready:
            del waiting[node.name]
            if node.address is not None and not _is_near(node.address, home):
                refused.append(f"{node.name} at {node.address} is in none of this home's networks")
                continue
            link = links[node.name]
            known.add(node.name)
            found.append(
                NewAgent(
                    name=node.name,
                    address=node.address,
                    joined_to=link.far,
                    link_kind=link.kind,
                    kind=node.kind,
                    medium=link.medium if link.kind == "backhaul" else None,
                    room=node.room,
                )
            )
    return found, refused + [f"{name} is joined to a node that this file has not" for name in waiting]


def _is_near(address: str, home: Home) -> bool:
    try:
        one = ipaddress.ip_address(address)
    except ValueError:
        return False
    own = [ipaddress.ip_address(n.address) for n in home.agents if n.address]
    nets = [ipaddress.ip_network(f"{a}/{_NEAR[a.version]}", strict=False) for a in own]
    return not one.is_multicast and (one.is_private or any(one in net for net in nets))


def learn(home_file: Path, key_file: Path, source: str) -> tuple[list[str], list[str]]:
    """Names of the agents written into the home file, and what was refused; WhichhopError when it fails."""
    place = str(home_file)
    text = home_file.read_text(encoding="utf-8", errors="strict")
    home = with_found(check_home(load_yaml(text, place)), read_found(home_file))
    keys = derive_keys(read_key(key_file))
    base = tls_addresses_of(home)[source]
    body = AgentsFetch.of(home, keys, seconds=MOST_S)(f"{base}/api/home", keys.api_token)
    told = typed(body, base, Told)
    found, refused = joined_since(home, told)
    for new in found:
        text = with_agent(text, new, place)
    if found:
        check_home(load_yaml(text, place))
        replace_file(home_file, text)
        _keep_known(home_file, told.known, [new.name for new in found])
    return [new.name for new in found], refused


def _keep_known(home_file: Path, told: Mapping[str, str], names: Iterable[str]) -> None:
    path = known_agents_path(home_file)
    known = dict(read_known(path).certificates)
    for name in names:
        if name in told:
            known.setdefault(name, told[name])  # one that was met here is believed first
    write_known(path, KnownAgents(certificates=known))


def main(words: list[str]) -> int:
    """Print what was learned, JSON; complaints on stderr with exit code 2. words: HOME KEY FROM."""
    home_file, key_file, source = words
    try:
        key = Path(key_file) if key_file else key_path_for(Path(home_file))
        names, refused = learn(Path(home_file), key, source)
    except (WhichhopError, OSError, UnicodeDecodeError) as trouble:
        sys.stderr.write(f"{trouble}\n")
        return 2
    sys.stdout.buffer.write(msgspec.json.encode({"learned": names, "refused": refused}))
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
