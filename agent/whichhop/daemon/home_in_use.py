"""The one owner of the home that is in use; whoever depends on it subscribes, and a change is one publish."""

from collections.abc import Callable, Mapping
from ipaddress import IPv4Network, IPv6Network, ip_network
from pathlib import Path
from typing import Protocol

from msgspec import Struct
from msgspec.structs import replace

from whichhop.daemon.options import RunOptions
from whichhop.errors import SystemRefusedError, WhichhopError
from whichhop.model import Home, Method, Node, NodeKind, Session, call_sessions, derive_sessions
from whichhop.model.handover import Handover
from whichhop.model.transfer import DOWNLOADS, UPLOADS
from whichhop.net.child import MOST_OUTPUT, RunChild, our_module, run_child
from whichhop.net.surroundings import home_address
from whichhop.outside import typed

READING_S = 30.0


class HandoverError(WhichhopError):
    """The home file or the key is wrong; the text is the child's own complaints."""


class InUse(Struct, frozen=True, kw_only=True):
    """A home as this agent uses it: the file, the node it runs on, and the keys for each purpose."""

    home: Home
    node: Node
    api_token: str
    stamp_key: bytes
    transfer_key: bytes
    certificate: str
    secret: str
    """This agent's own certificate and key, PEM."""
    page_password: str
    """Of page, metrics and bulletin; "" where the home leaves them open."""
    identity: bytes
    """What /identity says, made ready by the child that has the home's key."""
    maker: str
    own_key: str
    """Fingerprints of the key that signs the home's reports, and of this agent's own."""
    known: Mapping[str, str]
    """Certificates of the agents that have been met, PEM."""
    known_keys: Mapping[str, str]
    """Their names by their keys' fingerprints."""
    epoch: int
    """How often the home's key was made anew, since an agent was revoked."""

    @property
    def sessions(self) -> list[Session]:
        """What this node's agent measures: nothing on a measurement peer, which only answers."""
        if self.node.kind is NodeKind.PEER:
            return []
        every = (*derive_sessions(self.home), *call_sessions(self.home))
        return [s for s in every if s.key.agent == self.node.name]

    @property
    def names(self) -> list[str]:
        """Everything that a session or transfer may aim at: what metrics' labels may say."""
        return [*self.home.nodes, *(r.name for r in self.home.resolvers), DOWNLOADS, UPLOADS]

    @property
    def answered(self) -> list[IPv4Network | IPv6Network]:
        """The networks whose STAMP packets are answered here: the agents, or whom a peer names."""
        asking = self.node.clients or tuple(n.address for n in self.home.agents if n.address)
        return [ip_network(text) for text in asking]

    @property
    def signs(self) -> bytes | None:
        """The key of STAMP packets from the home's own agents; None in a home that does not sign."""
        return self.stamp_key if self.home.authenticated else None


def in_use(handover: Handover, node: str, home_file: Path) -> InUse:
    """A handover as the agent on `node` uses it; WhichhopError when the home gives that node no agent."""
    home = handover.home
    found = home.nodes.get(node)
    runs = [n.name for n in home.nodes.values() if n.has_key]
    if found is None or node not in runs:
        raise WhichhopError(
            f"{home_file}: no agent runs on {node!r}; agents run on: {', '.join(runs)}"
            " (set agent: true on a node, or name a measurement peer's clients)"
        )
    return InUse(
        home=home,
        node=found,
        api_token=handover.api_token,
        stamp_key=bytes.fromhex(handover.stamp_key),
        transfer_key=bytes.fromhex(handover.transfer_key),
        certificate=handover.certificate,
        secret=handover.secret,
        page_password=handover.page_password,
        identity=handover.identity.encode(),
        maker=handover.maker,
        own_key=handover.own_key,
        known=handover.known,
        known_keys=handover.known_keys,
        epoch=handover.epoch,
    )


async def read_home(options: RunOptions, node: str, run: RunChild = run_child) -> InUse:
    """The home and its keys as the files have them now, read by a short child process.

    So a broken file never harms the daemon, and what checks it is never loaded here. HandoverError with the
    complaints, each a line, when the files are wrong; SystemRefusedError when the child cannot be run.
    """
    home_file = options.home_file
    own = home_address()
    words = [str(home_file), str(options.key_file or ""), str(options.identity_file), node]
    words += [] if own is None else [own]
    try:
        done = await run(our_module("whichhop.config.handover", *words), most_s=READING_S)
    except TimeoutError:
        raise SystemRefusedError(f"{home_file}: not read within {READING_S:g} s; try again") from None
    except SystemRefusedError as trouble:
        raise SystemRefusedError(f"{home_file}: the process that reads it {trouble}") from trouble
    if done.code != 0:
        raise HandoverError(done.err.decode(errors="replace").strip())
    return in_use(typed(done.out, str(home_file), Handover, most=MOST_OUTPUT), node, home_file)


class Step(Protocol):
    """A subscriber's part of a change, ready to be made: what could be refused has been asked for already."""

    def commit(self) -> None:
        """Make the change. Must not fail."""
        ...

    def undo(self) -> None:
        """Give back what was got for it; nothing has changed."""
        ...


Prepare = Callable[[InUse], Step | None]
Take = Callable[[InUse], None]


class HomeInUse:
    """Holds the home and changes it for everybody at once, or not at all.

    Two kinds of subscribers: one that needs something of the system for a new home, a port or a socket,
    prepares a step, which may be refused; one that needs nothing takes the new home over.
    failed: told of a step or a subscriber that failed after all; the others are still served.
    """

    def __init__(self, first: InUse, failed: Callable[[str, Exception], None]) -> None:
        self.found: dict[str, str] = {}
        """Addresses by host name, of targets that were written so; what is published gets them."""
        self.now = first
        self._failed = failed
        self._prepare: dict[str, Prepare] = {}
        self._take: dict[str, Take] = {}

    def prepare(self, name: str, prepare: Prepare) -> None:
        """Subscribe with a step; None for no change. Steps are prepared and made in the order subscribed."""
        self._prepare[name] = prepare

    def follow(self, name: str, take: Take) -> None:
        """Subscribe with what cannot be refused; called after every step has been made."""
        self._take[name] = take

    def place_found(self) -> None:
        """Give the home in use the addresses in `found`, before anybody follows it."""
        self.now = self._placed(self.now)

    def _placed(self, new: InUse) -> InUse:
        home = new.home.with_addresses(self.found)
        return new if home is new.home else replace(new, home=home)

    def publish(self, new: InUse) -> None:
        """Everybody follows `new`; or the first refusal (WhichhopError) is raised and nothing has changed."""
        new = self._placed(new)
        ready: list[tuple[str, Step]] = []
        try:
            for name, prepare in self._prepare.items():
                step = prepare(new)
                if step is not None:
                    ready.append((name, step))
        except BaseException:
            for name, step in reversed(ready):
                self._guard(name, step.undo)
            raise
        self.now = new
        for name, step in ready:
            self._guard(name, step.commit)
        for name, take in self._take.items():
            self._guard(name, lambda take=take: take(new))  # type: ignore[misc]

    def _guard(self, name: str, act: Callable[[], None]) -> None:
        try:
            act()
        except Exception as trouble:  # noqa: BLE001 - one subscriber's fault must not leave the others behind
            self._failed(name, trouble)


def loaded_sessions(sessions: list[Session]) -> list[Session]:
    """The streams that may run beside a transfer: one for each target of the steady ones."""
    steady = [s for s in sessions if s.key.method in (Method.ECHO, Method.STAMP)]
    return [replace(s, key=replace(s.key, method=Method.LOADED)) for s in steady]
