"""Names and addresses of a home replaced by stable stand-ins, so that a report can be shared."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Self

from whichhop.model import PROVIDER_EDGE, Home, Link, LinkKind, Reading, SessionKey
from whichhop.model.transfer import DOWNLOADS, UPLOADS

_LEVELS = "levels/"
_NO_NODES = (DOWNLOADS, UPLOADS)
"""What stands for the other end of a transfer without one, and names nobody."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandIns:
    """A home under stand-ins, and the true names' stand-ins. The same home gives the same ones each time."""

    home: Home
    names: Mapping[str, str]

    @classmethod
    def of(cls, home: Home) -> Self:
        """Nodes become their kind and a number in the home file's order; addresses their number."""
        names: dict[str, str] = {PROVIDER_EDGE: PROVIDER_EDGE}
        counts: dict[str, int] = {}
        for name, node in home.nodes.items():
            if name != PROVIDER_EDGE:
                counts[node.kind] = counts.get(node.kind, 0) + 1
                names[name] = f"{node.kind}-{counts[node.kind]}"
        for number, resolver in enumerate(home.resolvers, 1):
            names.setdefault(resolver.name, f"resolver-{number}")
        addresses: dict[str, str] = {}

        def hidden(address: str | None) -> str | None:
            return None if address is None else addresses.setdefault(address, f"address-{len(addresses) + 1}")

        nodes = {
            names[n.name]: replace(
                n,
                name=names[n.name],
                address=hidden(n.address),
                room=None,
                wan_interface="wan" if n.wan_interface else None,
                clients=("a network",) if n.clients else (),
            )
            for n in home.nodes.values()
        }
        links = tuple(
            replace(
                link, near=names[link.near], far=names.get(link.far, link.far), name=_link_name(names, link)
            )
            for link in home.links
        )
        resolvers = tuple(
            replace(r, name=names[r.name], address=hidden(r.address) or "", place=names.get(r.place, r.place))
            for r in home.resolvers
        )
        stripped = replace(
            home,
            name="a home",
            nodes=nodes,
            links=links,
            peers=tuple(names[a] for a in home.peers),
            resolvers=resolvers,
            lookup_name=None if home.lookup_name is None else "a name",
        )
        return cls(home=stripped, names=names)

    def name(self, name: str) -> str:
        """A name's stand-in; names the home does not know become "other"."""
        return self.names.get(name, "other")

    def key(self, key: SessionKey) -> SessionKey:
        """A session under stand-ins."""
        return replace(key, agent=self.name(key.agent), target=self.name(key.target))

    def reading(self, reading: Reading) -> Reading:
        """A reading under stand-ins, with the node that its name tells: a modem, or a hop's other end."""
        name = reading.name
        if name.startswith(_LEVELS):
            node, _, rest = name[len(_LEVELS) :].partition("/")
            name = f"{_LEVELS}{self.name(node)}/{rest}"
        elif ":" in name:
            figure, _, other = name.partition(":")
            stand_in = "/".join(self.name(part) for part in other.split("/"))
            name = f"{figure}:{other if other in _NO_NODES else stand_in}"
        return replace(reading, agent=self.name(reading.agent), name=name)


def _link_name(names: Mapping[str, str], link: Link) -> str:
    if link.kind is LinkKind.BEYOND:
        return link.name
    return f"{names[link.near]}/{names[link.far]}"


def stripped(home: Home) -> Home:
    """The home without what no report needs: URLs, and where levels are read from with what login."""
    return replace(home, downloads=(), levels={})
