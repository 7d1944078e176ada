"""Names and addresses of a home replaced by stable stand-ins, so that a report can be shared."""

from collections.abc import Mapping, Sequence
from typing import Self

from msgspec import Struct
from msgspec.structs import replace

from whichhop.model import PROVIDER_EDGE, Home, Link, LinkKind, Reading, Service, SessionKey
from whichhop.model.dossier import RouteTrace
from whichhop.model.note import CallNote
from whichhop.model.transfer import DOWNLOADS, UPLOADS

_LEVELS = "levels/"
_NO_NODES = (DOWNLOADS, UPLOADS)
"""What stands for the other end of a transfer without one, and names nobody."""
_SERVICE = {
    "customer": "the customer",
    "account": "(number withheld)",
    "address": "address withheld",
    "product": "(name withheld)",
    "modem_model": "model withheld",
    "modem_mac": "MAC withheld",
}


class StandIns(Struct, frozen=True, kw_only=True):
    """A home under stand-ins, and the true names' stand-ins. The same home gives the same ones each time."""

    home: Home
    names: Mapping[str, str]
    addresses: Mapping[str, str]
    texts: Mapping[str, str]
    """What the line is called in the provider's records, and its stand-ins."""

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
        said = {f: getattr(home.service, f) for f in _SERVICE}

        def hidden(address: str | None) -> str | None:
            return None if address is None else addresses.setdefault(address, f"address-{len(addresses) + 1}")

        nodes = {
            names[n.name]: replace(
                n,
                name=names[n.name],
                address=hidden(n.address),
                room=None,
                host_name="a host name" if n.host_name else None,
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
            service=Service(**{k: _SERVICE[k] if v else None for k, v in said.items()}),
        )
        texts = {v: _SERVICE[k] for k, v in said.items() if v}
        return cls(home=stripped, names=names, addresses=addresses, texts=texts)

    def name(self, name: str) -> str:
        """A name's stand-in; names the home does not know become "other"."""
        return self.names.get(name, "other")

    def address(self, address: str) -> str:
        """An address's stand-in; those that the home file does not name are no more than that."""
        return self.addresses.get(address, "another address")

    def trace(self, trace: RouteTrace | None) -> RouteTrace | None:
        """A route trace under stand-ins."""
        if trace is None:
            return None
        steps = tuple(
            replace(
                s,
                addresses=tuple(dict.fromkeys(self.address(a) for a in s.addresses)),
                name=self.name(s.name) if s.name else "",
            )
            for s in trace.steps
        )
        first = None if trace.first_hop is None else self.address(trace.first_hop)
        return replace(
            trace,
            agent=self.name(trace.agent),
            target=self.name(trace.target),
            steps=steps,
            first_hop=first,
        )

    def call(self, number: int, call: CallNote) -> CallNote:
        """A note of a call without its words, which may name anybody; when and by when stay."""
        return replace(
            call,
            text="what was said is withheld",
            spoke_to="name withheld" if call.spoke_to else "",
            ticket=f"ticket-{number}" if call.ticket else "",
        )

    def table(self, home: Home, calls: Sequence[CallNote]) -> list[tuple[str, str]]:
        """What each stand-in means, for the sharer alone: pairs of stand-in and true text."""
        pairs = [("a home", home.name), *((s, n) for n, s in self.names.items() if s != n)]
        pairs += [(s, a) for a, s in self.addresses.items()]
        pairs += [(s, t) for t, s in self.texts.items()]
        pairs += [(f"ticket-{i}", c.ticket) for i, c in enumerate(calls, 1) if c.ticket]
        return pairs

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
    """The home without what no report needs: URLs, where levels and counters are read with what login, who is
    told of faults by which ways, the server of many homes, and other people's devices."""
    return replace(
        home, downloads=(), uploads=(), levels={}, counters={}, devices={}, notices=None, fleet=None
    )
