"""What who invites decides: how often a code may be tried, and which node the new machine becomes. Pure."""

from collections.abc import Mapping
from enum import StrEnum

from msgspec import Struct

from whichhop.config.home_edit import NewAgent
from whichhop.errors import WhichhopError
from whichhop.model import PROVIDER_EDGE, Home, LinkKind, NodeKind
from whichhop.model.units import MonoNs
from whichhop.wire.pairing import Machine

TRIES = 3
MOST_EXCHANGES = 60
"""Begun and not ended by a proof; a person with a bad connection begins a few."""

_SERVES_RADIO = (NodeKind.GATEWAY, NodeKind.ROUTER, NodeKind.MESH_NODE, NodeKind.ACCESS_POINT)


class Over(StrEnum):
    """Why a code is good no more; each is the line that both people read."""

    USED = "this code was used by another machine just now; ask for a new one with `whichhop invite`"
    EXPIRED = "this code has expired; ask for a new one with `whichhop invite`"
    LOCKED = f"{TRIES} wrong codes were tried, so this code is locked; ask for a new one: `whichhop invite`"
    FLOODED = (
        f"{MOST_EXCHANGES} talks were begun and not gone on with, so this code is locked; look for what"
        " does this, and ask for a new code with `whichhop invite`"
    )


class Invitation(Struct):
    """code: its letters. ends_ns: when it expires, on the clock that `now_ns` is read from."""

    code: str
    ends_ns: MonoNs
    wrong: int = 0
    exchanges: int = 0
    used: bool = False

    def over(self, now_ns: MonoNs) -> Over | None:
        """Why it is good no more, or None while it is."""
        if self.used:
            return Over.USED
        if self.wrong >= TRIES:
            return Over.LOCKED
        if self.exchanges >= MOST_EXCHANGES:
            return Over.FLOODED
        return Over.EXPIRED if now_ns >= self.ends_ns else None

    def begun(self) -> None:
        """Somebody was given a share."""
        self.exchanges += 1

    def tried(self, *, right: bool) -> None:
        """Somebody showed a proof; a right one uses the code up, whatever becomes of that talk."""
        self.exchanges -= 1
        if right:
            self.used = True
        else:
            self.wrong += 1


class PlaceError(WhichhopError):
    """There is no place for that machine; the text is for the people at both machines."""


class Wish(Struct, frozen=True, kw_only=True):
    """What the person at the inviting machine asked for.

    replace: the agent whose key may be another now. moves: no address is written down, since it changes.
    """

    behind: str | None = None
    room: str | None = None
    replace: str | None = None
    moves: bool = False


class JoiningPlace(Struct, frozen=True, kw_only=True):
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
