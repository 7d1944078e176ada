"""Every rule of a home file in one pass: all complaints at once, or a Home."""

import copy
from collections.abc import Iterator, Sized
from ipaddress import ip_address
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from whichhop.config.epochs import revoked_names, without_revoked
from whichhop.config.found_addresses import read_found, with_found
from whichhop.config.home_text import NO_HOME, read_text
from whichhop.config.house import (
    build_boxes,
    build_levels,
    build_run,
    build_service,
    cabling_troubles,
    level_troubles,
)
from whichhop.config.in_own_words import in_own_words
from whichhop.config.load import KeyPath, Located, one_complaint, read_yaml
from whichhop.config.meant_keys import ROUNDS, is_no_home, put_right
from whichhop.config.mend import mended
from whichhop.config.nouns import minutes_of
from whichhop.config.schema import HomeFile
from whichhop.config.services import (
    build_counters,
    build_device_names,
    build_fleet,
    build_notices,
    counter_troubles,
    fleet_troubles,
    notice_troubles,
    own_interface,
)
from whichhop.config.shape import hold_to_schema, worded
from whichhop.config.texts import is_link_local, is_loopback
from whichhop.config.tree import Trouble, distance_to_root, link_troubles, tree_troubles
from whichhop.errors import Complaint, ConfigError
from whichhop.model import (
    BEYOND,
    LINK_TABLE,
    PROVIDER_EDGE,
    Home,
    Limits,
    Link,
    LinkKind,
    Medium,
    Node,
    NodeKind,
    Plan,
    Ports,
    Resolver,
)
from whichhop.model.cable_run import Box, Run
from whichhop.model.transfer import DOWNLOADS, UPLOADS, UPSTREAM
from whichhop.printable import shown

MOST_AGENTS = 40
"""Sessions grow with the square of the agents: 40 send 1,600 packets a second. A large house has ten."""
MOST_NODES = 300
_RESERVED = (PROVIDER_EDGE, BEYOND, "own-traffic", UPSTREAM, DOWNLOADS, UPLOADS)


def _size_troubles(file: HomeFile) -> Iterator[Trouble]:
    targets = file.targets
    parts: dict[KeyPath, Sized] = {
        ("nodes",): file.nodes,
        ("links",): file.links,
        ("cabling",): file.cabling,
        ("targets", "peers"): targets.peers,
        ("targets", "resolvers"): targets.resolvers,
        ("targets", "downloads"): targets.downloads,
        ("targets", "uploads"): targets.uploads,
    }
    for at, part in parts.items():
        if len(part) > MOST_NODES:
            yield at, f"{len(part)} entries are no home's", f"keep at most {MOST_NODES}"
    agents = sum(node.agent for node in file.nodes.values())
    if agents > MOST_AGENTS:
        yield ("nodes",), f"{agents} agents", f"keep at most {MOST_AGENTS}: each probes all the others"


def _node_troubles(file: HomeFile) -> Iterator[Trouble]:
    owners: dict[str, str] = {}
    elsewhere = not all(is_loopback(n.address) for n in file.nodes.values() if n.address)
    for name, node in file.nodes.items():
        if elsewhere and node.address and is_loopback(node.address):
            yield (
                ("nodes", name, "address"),
                f"{node.address} is each machine itself, and the other agents ask their own",
                "write the address that it has in the home",
            )
        if name in _RESERVED:
            yield ("nodes", name), "the name is reserved", "choose another name"
        if node.address is None:
            if node.agent and file.announce is False:
                yield (
                    ("nodes", name, "address"),
                    "missing, and announce: false lets nobody find its agent",
                    "add its address, or remove announce: false",
                )
            elif node.stamp and not node.agent:
                yield ("nodes", name, "address"), "missing, though stamp is true", "add its address"
        elif (node.agent or node.stamp) and is_link_local(node.address):
            yield (
                ("nodes", name, "address"),
                f"{node.address} is good on one link only, and tests come from the whole home",
                "leave it out where an agent runs, the others find it by its key; else write another",
            )
        elif node.address in owners:
            yield (
                ("nodes", name, "address"),
                f"{node.address} is {owners[node.address]}'s already",
                "give each node its own address",
            )
        else:
            owners[node.address] = name
    if not any(node.agent for node in file.nodes.values()):
        yield ("nodes",), "no node has an agent, so nothing would be measured", "set agent: true on one"


def _target_troubles(file: HomeFile) -> Iterator[Trouble]:
    addresses = {node.address: name for name, node in file.nodes.items() if node.address}
    has_line = any(link.kind is LinkKind.ACCESS for link in file.links)
    edge = file.targets.provider_edge
    if edge in addresses:
        yield ("targets", "provider-edge"), f"{edge} is {addresses[edge]}'s address", "name the provider's"
    elif edge not in (None, "discover"):
        addresses[edge] = PROVIDER_EDGE
    elsewhere = not any(map(is_loopback, addresses))
    for name, peer in file.targets.peers.items():
        at = ("targets", "peers", name)
        if elsewhere and is_loopback(peer.address):
            yield (
                (*at, "address"),
                f"{peer.address} is each agent's own machine, and no packet would cross the line",
                "write the address that the peer has on the internet",
            )
        if name in file.nodes or name in _RESERVED:
            yield at, "the name is taken", "choose another name"
        if peer.address in addresses:
            yield (
                (*at, "address"),
                f"{peer.address} is {addresses[peer.address]}'s already",
                "name another machine",
            )
        addresses.setdefault(peer.address, name)
        if peer.clients and not peer.stamp:
            yield (*at, "clients"), "named, though nothing answers STAMP there", "add stamp: true"
        if peer.tcp_port is not None and peer.stamp:
            yield (*at, "tcp_port"), "of no use where STAMP is answered", "remove it, or stamp: true"
    if (file.targets.peers or edge) and not has_line:
        yield (
            ("targets",),
            "targets upstream, but no access link leads there",
            f"add a link that joins the modem to {PROVIDER_EDGE}, kind: access",
        )
    if edge == "discover" and not file.targets.peers:
        yield (
            ("targets", "provider-edge"),
            "discover follows the way to a peer, and there is none",
            "add under targets `peers: {harbour: {address: HOST}}`, HOST being a host name or address"
            " upstream that you may probe",
        )


def _url_troubles(file: HomeFile) -> Iterator[Trouble]:
    has_line = any(link.kind is LinkKind.ACCESS for link in file.links)
    for key in ("downloads", "uploads"):
        urls = getattr(file.targets, key)
        for i, url in enumerate(urls):
            if url in urls[:i]:
                yield ("targets", key, i), "written twice", "remove one"
            if not has_line:
                yield ("targets", key, i), "no access link leads there", "add the link to the provider"


def _port_troubles(file: HomeFile) -> Iterator[Trouble]:
    taken: dict[int, str] = {}
    for name in ("api", "transfer", "tls"):
        port = getattr(file.ports, name)
        if port in taken:
            yield ("ports", name), f"{port} is the {taken[port]}'s port too", "choose another port"
        taken.setdefault(port, name)


def _resolver_troubles(file: HomeFile) -> Iterator[Trouble]:
    known = {node.address for node in file.nodes.values()}
    has_line = any(link.kind is LinkKind.ACCESS for link in file.links)
    for name, address in file.targets.resolvers.items():
        at = ("targets", "resolvers", name)
        if name in file.nodes or name in _RESERVED or name in file.targets.peers:
            yield at, "the name is taken", "choose another name"
        if address not in known and not has_line:
            yield at, f"{address} is no node of this home, and no access link leads out", "add the link"
    if bool(file.targets.resolvers) != bool(file.targets.lookup):
        missing = "resolvers" if file.targets.lookup else "lookup"
        yield ("targets",), f"{missing}: missing", "write both resolvers and the name to look up, or neither"


def _links(file: HomeFile) -> Iterator[Link]:
    far = distance_to_root(file)
    for part in file.links:
        near, end = sorted(part.join, key=lambda name: -far[name])
        row = LINK_TABLE[part.kind]
        # Only what a link of this kind can be when nothing is said of it, never a guess where that was asked.
        medium = next(iter(row.media), None)
        if part.medium is not None:
            medium = None if part.medium == "unknown" else Medium(part.medium)
        yield Link(name=part.name or f"{near}/{end}", near=near, far=end, kind=part.kind, medium=medium)


def _resolvers(file: HomeFile, nodes: dict[str, Node]) -> Iterator[Resolver]:
    places = {node.address: name for name, node in nodes.items() if node.address}
    for name, address in file.targets.resolvers.items():
        # One that is no node of the home is taken to stand at the provider, where resolvers usually do.
        yield Resolver(name=name, address=address, place=places.get(address, PROVIDER_EDGE))


def is_name(address: str) -> bool:
    """True for a target that is written as a host name, to be looked up when it is used."""
    try:
        ip_address(address)
    except ValueError:
        return True
    return False


def _build(file: HomeFile, home_file: Path) -> Home:
    nodes = {
        name: Node(
            name=name,
            kind=part.kind,
            address=part.address,
            moves=part.agent and part.address is None,
            agent=part.agent,
            stamp=part.stamp or part.agent,
            room=part.room,
            wan_interface=own_interface(part),
            by_device=part.wan_counters is not None and part.wan_counters.by_device,
        )
        for name, part in file.nodes.items()
    }
    links = list(_links(file))
    peers = file.targets.peers
    # A peer without it is a way to walk, and nothing else tells the line from what lies beyond.
    edge = file.targets.provider_edge or ("discover" if peers else None)
    if any(link.kind is LinkKind.ACCESS for link in links):
        nodes[PROVIDER_EDGE] = Node(
            name=PROVIDER_EDGE,
            kind=NodeKind.PROVIDER_EDGE,
            address=None if edge == "discover" else edge,
        )
    if peers:
        links.append(Link(name=BEYOND, near=PROVIDER_EDGE, far=BEYOND, kind=LinkKind.BEYOND))
        for name, peer in peers.items():
            nodes[name] = Node(
                name=name,
                kind=NodeKind.PEER,
                address=None if is_name(peer.address) else peer.address,
                host_name=peer.address if is_name(peer.address) else None,
                stamp=peer.stamp,
                clients=tuple(peer.clients),
                tcp_port=peer.tcp_port,
            )
    return Home(
        name=file.home,
        zone=file.zone,
        plan=Plan(
            down_bps=round(file.plan.down_mbps * 1_000_000), up_bps=round(file.plan.up_mbps * 1_000_000)
        )
        if file.plan
        else None,
        service=build_service(file, links),
        nodes=nodes,
        links=tuple(links),
        peers=tuple(peers),
        downloads=tuple(file.targets.downloads),
        uploads=tuple(file.targets.uploads),
        resolvers=tuple(_resolvers(file, nodes)),
        lookup_name=file.targets.lookup,
        authenticated=file.stamp.authenticated,
        page_open=file.page.open,
        announces=any(n.moves for n in nodes.values()) if file.announce is None else file.announce,
        discover_edge=edge == "discover",
        limits=Limits(
            daily_transfer_bytes=round(file.limits.daily_transfer_mb * 1_000_000),
            quiet_hours=minutes_of(file.limits.quiet_hours),
            keep_days=file.limits.keep_days,
            store_bytes=round(file.limits.store_mb * 1_000_000),
            transfers_a_day=file.limits.transfers_a_day,
        ),
        ports=Ports(
            api=file.ports.api, stamp=file.ports.stamp, transfer=file.ports.transfer, tls=file.ports.tls
        ),
        levels=build_levels(file, home_file),
        counters=build_counters(file, home_file),
        devices=build_device_names(file),
        notices=build_notices(file, home_file),
        fleet=build_fleet(file, home_file),
    )


_RULES = (
    _node_troubles,
    link_troubles,
    _target_troubles,
    _resolver_troubles,
    counter_troubles,
    notice_troubles,
    fleet_troubles,
    _url_troubles,
    _port_troubles,
    level_troubles,
    cabling_troubles,
)
_NO_LINE = "no access link"


def _rule_troubles(file: HomeFile, *, tree: bool) -> list[Trouble]:
    # Too many nodes are told alone: the other rules would take minutes over them.
    rules = (*_RULES, tree_troubles) if tree else _RULES
    return list(_size_troubles(file)) or [trouble for rule in rules for trouble in rule(file)]


def _checked(located: Located) -> HomeFile:
    """The file as models; ConfigError with all that reader, schema and rules have to say, in one go."""
    # The reader's own data stays as it was written.
    located = replace(located, data=in_own_words(copy.deepcopy(located.data)))
    if (instead := is_no_home(located.data)) is not None:
        shape = "" if isinstance(located.data, dict) else f"{shown(str(located.data))} "
        raise one_complaint(located.file, f"no home file: {shape}{instead}", NO_HOME)
    held = hold_to_schema(located.data)
    if held.file is not None and not located.complaints:
        troubles = _rule_troubles(held.file, tree=True)
        if not troubles:
            return held.file
        raise ConfigError(sorted((located.complaint(*t) for t in troubles), key=lambda c: c.line))
    unknown: list[Complaint] = []
    for _ in range(ROUNDS):
        located, found, changed = put_right(located, held.mismatches)
        if not changed:
            break
        unknown += found
        located = replace(located, data=in_own_words(located.data))
        held = hold_to_schema(located.data)
    # Where the reader has refused a value the schema finds none, and that would be told twice.
    new = [one for one in held.mismatches if one[0] not in located.places]
    better = [located.bare[path] for path, _ in new if path in located.bare]
    read = [one for one in located.complaints if one not in better]
    complaints = [*read, *unknown, *worded(located, new)]
    more = located.more + len(read) + len(unknown) + len(new) - len(complaints)
    whole = mended(located.data, held.mismatches)
    if whole is not None:
        for path, problem, remedy in _rule_troubles(whole.file, tree=not whole.tree_doubtful):
            doubtful = whole.hides(path) or (whole.line_doubtful and _NO_LINE in problem)
            if not doubtful and path not in located.places:
                complaints.append(located.complaint(path, problem, remedy))
    raise ConfigError(sorted(complaints, key=lambda c: c.line), more)


def check_home(located: Located) -> Home:
    """A Home of plain data, or ConfigError with every complaint in the order of the file's lines."""
    return _build(_checked(located), Path(located.file))


class House(Struct, frozen=True, kw_only=True):
    """A home with what lies on the way to its modem; the daemon needs none of it."""

    home: Home
    run: Run | None
    boxes: tuple[Box, ...]


def _read(path: Path) -> Located:
    return read_yaml(read_text(path), str(path))


def _as_it_is(home: Home, path: Path) -> Home:
    return with_found(without_revoked(home, revoked_names(path)), read_found(path))


def read_home(path: Path) -> Home:
    """The Home that a file describes; ConfigError with a line a complaint when it cannot be.

    Agents whose address the file leaves open are where they were found last (found_addresses.py); those that
    were revoked are agents no more (epochs.py).
    """
    return _as_it_is(check_home(_read(path)), path)


def read_house(path: Path) -> House:
    """The home with its cable run and equipment; ConfigError as `read_home`."""
    located = _read(path)
    file = _checked(located)
    home = _as_it_is(_build(file, Path(located.file)), path)
    return House(home=home, run=build_run(file), boxes=build_boxes(file))
