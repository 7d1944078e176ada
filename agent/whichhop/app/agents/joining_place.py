"""Which node of the home a machine becomes that joins it by a code: one the file has, or a new one. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

from whichhop.config.home_edit import NewAgent
from whichhop.errors import WhichhopError
from whichhop.model import PROVIDER_EDGE, Home, LinkKind, NodeKind
from whichhop.wire.pairing import Machine

_SERVES_RADIO = (NodeKind.GATEWAY, NodeKind.ROUTER, NodeKind.MESH_NODE, NodeKind.ACCESS_POINT)


class PlaceError(WhichhopError):
    """There is no place for that machine; the text is for the people at both machines."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What the person at the inviting machine asked for.

    replace: the agent whose key may be another now. moves: no address is written down, since it changes.
    """

    behind: str | None = None
    room: str | None = None
    replace: str | None = None
    moves: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class JoiningPlace:
    """node: its name. new: what is to be written into the home file; None where it is there already."""

    node: str
    new: NewAgent | None


def place_for(
    home: Home, machine: Machine, address: str, wish: Wish, known: Mapping[str, str]
) -> JoiningPlace:
    """address: where the machine speaks from. known: agents that have been met, with anything; PlaceError."""
    for node in home.nodes.values():
        if node.address == address and (node.name != machine.name or not node.agent):
            if not node.agent:
                raise PlaceError(
                    f"{address} is the {node.kind} {node.name} of the home file, where no agent runs; add"
                    f" agent: true there, or correct its address"
                )
            return _there(node.name, wish, known)
    named = home.nodes.get(machine.name)
    if named is None:
        return JoiningPlace(node=machine.name, new=_new(home, machine, address, wish))
    if not named.agent:
        raise PlaceError(
            f"{machine.name} is a {named.kind} of the home file already, where no agent runs; add agent: true"
            " there, or join under another name with --name"
        )
    if named.address not in (None, address):
        raise PlaceError(
            f"{machine.name} is at {named.address} by the home file, and this machine is at {address};"
            " correct the file, or join under another name with --name"
        )
    return _there(machine.name, wish, known)


def _there(node: str, wish: Wish, known: Mapping[str, str]) -> JoiningPlace:
    if node in known and wish.replace != node:
        raise PlaceError(
            f"{node} has joined before, with a key of its own; if it was set up again, invite it with"
            f" --replace {node}"
        )
    return JoiningPlace(node=node, new=None)


def _new(home: Home, machine: Machine, address: str, wish: Wish) -> NewAgent:
    behind = _behind(home, machine.gateway, wish)
    radio = machine.radio and home.nodes[behind].kind in _SERVES_RADIO
    return NewAgent(
        name=machine.name,
        address=None if wish.moves else address,
        joined_to=behind,
        link_kind=LinkKind.WIRELESS if radio else LinkKind.WIRED,
        room=wish.room,
    )


def _behind(home: Home, gateway: str | None, wish: Wish) -> str:
    """The node that the machine is joined to: the one named, else its own router, else the home's."""
    if wish.behind is not None:
        if wish.behind not in home.nodes:
            raise PlaceError(
                f"--behind {wish.behind}: no node of the home file; there are {', '.join(home.nodes)}"
            )
        return wish.behind
    nodes = home.nodes.values()
    for node in nodes:
        if gateway is not None and node.address == gateway:
            return node.name
    # Nearest to the provider comes first; a modem has no port for another machine where there is a router.
    for kind in (NodeKind.GATEWAY, NodeKind.ROUTER, NodeKind.SWITCH):
        for node in nodes:
            if node.kind is kind:
                return node.name
    if home.root != PROVIDER_EDGE:
        return home.root
    raise PlaceError("the home file has no router; say with --behind NODE what the new machine is joined to")
