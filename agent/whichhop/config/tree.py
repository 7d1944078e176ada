"""The rules that make nodes and links one tree: known ends, no loops, nothing joined to nothing."""

from collections.abc import Iterator, Sequence

from whichhop.config.load import KeyPath
from whichhop.config.schema import HomeFile, LinkPart, WrittenMedium
from whichhop.config.trade_words import EDGE, NODES, folded, near_word, nearest
from whichhop.model import LINK_TABLE, PROVIDER_EDGE, LinkKind, NodeKind

HOME_MEDIA = (
    WrittenMedium.RADIO,
    WrittenMedium.ETHERNET,
    WrittenMedium.COAX,
    WrittenMedium.POWER_LINE,
)
Trouble = tuple[KeyPath, str, str]

_RADIO_SERVERS = {NodeKind.ROUTER, NodeKind.GATEWAY, NodeKind.MESH_NODE, NodeKind.ACCESS_POINT}
_RADIO_RELAYS = {NodeKind.MESH_NODE, NodeKind.ACCESS_POINT}
_GATEWAYS = {NodeKind.ROUTER, NodeKind.GATEWAY}
_EDGE = frozenset(map(folded, EDGE))
_LINE_ENDS = {NodeKind.MODEM, NodeKind.GATEWAY, NodeKind.ROUTER}


def link_troubles(file: HomeFile) -> Iterator[Trouble]:
    """Everything wrong with single links: ends, kinds, media, doubles."""
    known = [*file.nodes, PROVIDER_EDGE]
    seen: dict[frozenset[str], int] = {}
    names: dict[str, int] = {}
    for i, link in enumerate(file.links):
        at: KeyPath = ("links", i)
        for j, end in enumerate(link.join):
            if end not in known:
                yield (*at, "join", j), f"no node is named {end!r}", _meant_end(file, end, known)
        if link.join[0] == link.join[1]:
            yield (*at, "join"), f"joins {link.join[0]!r} to itself", "name two different nodes"
            continue
        ends = frozenset(link.join)
        if ends in seen:
            yield at, f"joins the same two nodes as links[{seen[ends]}]", "keep one of the two"
        seen.setdefault(ends, i)
        if link.name is not None:
            if link.name in names:
                yield (*at, "name"), f"the name is taken by links[{names[link.name]}]", "choose another"
            names.setdefault(link.name, i)
        yield from _medium_troubles(link, at)
        yield from _end_troubles(file, link, at)


def _meant_end(file: HomeFile, end: str, known: Sequence[str]) -> str:
    """The node that was meant: of a name spelled like it, else the only one of the kind that was written."""
    kind = NODES.own(end)
    wanted = _GATEWAYS if kind in _GATEWAYS else {kind}
    fitting = [name for name, node in file.nodes.items() if node.kind in wanted]
    if nearest(end, known) is None and len(fitting) == 1:
        return f"did you mean {fitting[0]!r}?"
    return near_word(end, known)


def _medium_troubles(link: LinkPart, at: KeyPath) -> Iterator[Trouble]:
    row = LINK_TABLE[link.kind]
    if link.medium is None:
        if row.medium_required:
            yield (*at, "medium"), "missing", "add one of: " + ", ".join((*row.media, "unknown"))
    elif link.medium not in (*row.media, *(["unknown"] if row.medium_required else [])):
        remedy = "use one of: " + ", ".join((*row.media, *(["unknown"] if row.medium_required else [])))
        if link.kind in (LinkKind.WIRED, LinkKind.WIRELESS) and link.medium in HOME_MEDIA:
            over = LinkKind.WIRELESS if link.medium is WrittenMedium.RADIO else LinkKind.BACKHAUL
            remedy = f"write kind: {over}" if over is not link.kind else remedy
        yield (*at, "medium"), f"a {link.kind} link does not run over {link.medium}", remedy


def _end_troubles(file: HomeFile, link: LinkPart, at: KeyPath) -> Iterator[Trouble]:
    kinds = [file.nodes[end].kind for end in link.join if end in file.nodes]
    to_edge = PROVIDER_EDGE in link.join
    if link.kind is LinkKind.ACCESS and not to_edge:
        # A node called so takes the word from the line's far end.
        called = next((end for end in link.join if folded(end) in _EDGE), None)
        otherwise = f", or call the node {called} otherwise" if called else ""
        remedy = f"join the modem to {PROVIDER_EDGE}{otherwise}"
        yield (*at, "join"), "an access link leads to the provider", remedy
    if to_edge and link.kind is not LinkKind.ACCESS:
        yield (*at, "kind"), f"only an access link reaches {PROVIDER_EDGE}", "write kind: access"
    if to_edge and kinds and kinds[0] not in _LINE_ENDS:
        yield (*at, "join"), f"a {kinds[0]} does not end an access line", "join the modem, router or gateway"
    if len(kinds) < 2:
        return
    if link.kind is LinkKind.WIRELESS:
        if NodeKind.HOST not in kinds:
            yield (
                (*at, "kind"),
                "a wireless link has a host at one end",
                "write kind: wired, or correct the nodes' kinds",
            )
        elif not _RADIO_SERVERS.intersection(kinds):
            yield (
                (*at, "join"),
                "a wireless link has an access point at the other end",
                "join the host to a router, gateway, mesh-node or access-point",
            )
    # Adapters on the mains or the coax join any machine to the router, without a box that has a name.
    adapters = link.medium in (WrittenMedium.POWER_LINE, WrittenMedium.COAX)
    if link.kind is LinkKind.BACKHAUL and not adapters and not _RADIO_RELAYS.intersection(kinds):
        yield (
            (*at, "kind"),
            "a backhaul joins a mesh-node or access-point to the router",
            "write kind: wired, or correct the nodes' kinds",
        )


def tree_troubles(file: HomeFile) -> Iterator[Trouble]:
    """Loops, several access links, and nodes that nothing joins to the rest."""
    known = {*file.nodes, PROVIDER_EDGE}
    joined: dict[str, list[str]] = {name: [] for name in known}
    access = [i for i, link in enumerate(file.links) if link.kind is LinkKind.ACCESS]
    for i in access[1:]:
        yield ("links", i), "a second access link", "describe each line in a home file of its own"
    if not file.links and len(file.nodes) > 1:
        yield (
            ("links",),
            "missing, so every node is joined to nothing",
            "add each: - {join: [desk, router], kind: wired}",
        )
        return
    lost = False
    for i, link in enumerate(file.links):
        # An end that is no node is told already; the node whose name is nearly that was meant.
        one, two = (end if end in known else nearest(end, known) or "" for end in link.join)
        lost = lost or not one or not two
        if not one or not two or one == two or two in joined[one]:
            continue  # told already
        way = _way(joined, one, two)
        if way and i in access[1:]:
            continue  # a second line closes a loop by itself, and is told already
        if way:
            yield (
                ("links", i),
                f"closes a loop: {' - '.join([*way, one])}",
                "keep only the link that traffic takes; whichhop follows one path out",
            )
            continue
        joined[one].append(two)
        joined[two].append(one)
    if lost:
        return  # whose end that was is not known, so no node can be called joined to nothing
    root = _root(file)
    for name in file.nodes:
        if not joined[name] and len(file.nodes) > 1:
            yield ("nodes", name), "joined to nothing", "add a link that joins it, or remove the node"
        elif name != root and not _way(joined, name, root):
            yield ("nodes", name), f"no way leads from here to {root}", "add the missing link"


def _root(file: HomeFile) -> str:
    """Where everything leads: the provider edge, or in a home without a line its router."""
    if any(PROVIDER_EDGE in link.join for link in file.links):
        return PROVIDER_EDGE
    for kind in (NodeKind.GATEWAY, NodeKind.ROUTER, NodeKind.SWITCH):
        for name, node in file.nodes.items():
            if node.kind is kind:
                return name
    return next(iter(file.nodes))


def _way(joined: dict[str, list[str]], start: str, end: str) -> list[str]:
    """The nodes from start to end, both included; empty when there is no way."""
    stack = [[start]]
    seen = {start}
    while stack:
        way = stack.pop()
        if way[-1] == end:
            return way
        for name in joined[way[-1]]:
            if name not in seen:
                seen.add(name)
                stack.append([*way, name])
    return []


def distance_to_root(file: HomeFile) -> dict[str, int]:
    """Links between each node and the root, for orienting links; call on a checked file."""
    joined: dict[str, list[str]] = {}
    for link in file.links:
        one, two = link.join
        joined.setdefault(one, []).append(two)
        joined.setdefault(two, []).append(one)
    root = _root(file)
    far = {root: 0}
    queue = [root]
    for name in queue:
        for other in joined.get(name, []):
            if other not in far:
                far[other] = far[name] + 1
                queue.append(other)
    return far
