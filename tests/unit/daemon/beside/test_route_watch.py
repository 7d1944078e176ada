"""The provider's first hop: found on the way to a target, kept, and found again when it changes."""

import asyncio
from pathlib import Path

import pytest
from msgspec import Struct, field
from msgspec.structs import fields

from support.homes import alder
from whichhop.daemon.beside.route_watch import AGAIN_S, EVERY_S, SILENT_AGAIN_S, SILENT_S, RouteWatch
from whichhop.daemon.home_in_use import InUse, in_use
from whichhop.model import Node
from whichhop.model.handover import Handover
from whichhop.model.units import NS_PER_S, MonoNs, UtcNs
from whichhop.net.clock import SystemClock
from whichhop.probes.path_trace import find_route
from whichhop.wire.ntp64 import estimate_error
from whichhop.wire.trace import Hop, Route

FAR = "203.0.113.7"


def used() -> InUse:
    home = alder("provider-edge: 198.51.100.1", "provider-edge: discover")
    keys = {"api_token": "t", "stamp_key": "00" * 16, "transfer_key": "11" * 16}
    keys |= dict.fromkeys(("certificate", "secret", "identity", "maker", "own_key", "page_password"), "")
    return in_use(Handover(home=home, **keys), "desk", Path("home.yaml"))


class Clock(SystemClock):
    def __init__(self) -> None:
        self.now_ns = 0

    def mono_ns(self) -> MonoNs:
        return MonoNs(self.now_ns)

    def utc_ns(self) -> UtcNs:
        return UtcNs(self.now_ns)


class Net(Struct):
    """A path of our own. steps: what answers at each hop limit; deaf: which of them answer no echo."""

    steps: list[str | None]
    deaf: set[str] = field(default_factory=set)
    found: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    walks: int = 0
    clock: Clock = field(default_factory=Clock)

    async def walk(self, target: str) -> Route:
        self.walks += 1
        hops = [
            Hop(ttl=i, addresses=(a,) if a else (), asked=1, answered=int(bool(a)), final=a == target)
            for i, a in enumerate(self.steps, 1)
        ]
        return Route(target=target, hops=tuple(hops))

    async def answers(self, address: str) -> bool:
        return address not in self.deaf

    def watch(self) -> RouteWatch:
        home = used()
        return RouteWatch(
            now=lambda: home,
            clock=self.clock,
            estimate=lambda: estimate_error(None, synced=False),
            keep=lambda *_: None,
            found=self.found.append,
            tell=self.said.append,
            answers=self.answers,
            walk=self.walk,
        )

    def route(self, watch: RouteWatch) -> None:
        """Only the walk of a look: sizes and DSCP are asked with packets."""
        peer = watch.now().home.nodes["harbour"]
        asyncio.run(watch._try("route", watch._route(peer, FAR)))


PATH: list[str | None] = ["192.0.2.1", "198.51.100.1", "198.51.100.9", FAR]


def test_the_watch_walks_by_itself_unless_it_is_told_how() -> None:
    assert {f.name: f.default for f in fields(RouteWatch)}["walk"] is find_route


@pytest.mark.parametrize(
    ("steps", "deaf", "edge"),
    [
        (PATH, set(), "198.51.100.1"),
        # A first hop that says when a packet ends at it, and answers no echo: the next one that does.
        (PATH, {"198.51.100.1"}, "198.51.100.9"),
        # A silent router before it: the line lies between the home and what speaks first.
        (["192.0.2.1", None, "198.51.100.9", FAR], set(), "198.51.100.9"),
        # The home's own router is silent.
        ([None, "198.51.100.1", FAR], set(), "198.51.100.1"),
        # A target that answers nothing at all is enough.
        (["192.0.2.1", "198.51.100.1"], set(), "198.51.100.1"),
    ],
)
def test_the_first_router_past_the_home_that_answers_is_the_edge(
    steps: list[str | None], deaf: set[str], edge: str
) -> None:
    net = Net(steps, deaf)
    net.route(net.watch())
    assert net.found == [edge], net.said


@pytest.mark.parametrize(
    ("steps", "deaf", "why"),
    [
        (["192.0.2.1", FAR], set(), "no router of the provider answered"),
        (PATH, {"198.51.100.1", "198.51.100.9"}, "answer no echo"),
        ([], set(), "no router of the provider answered"),
    ],
)
def test_where_none_answers_one_line_says_what_cannot_be_told(
    steps: list[str | None], deaf: set[str], why: str
) -> None:
    net = Net(steps, deaf)
    watch = net.watch()
    net.route(watch)
    net.route(watch)
    assert net.found == []
    (line,) = net.said
    assert why in line
    assert "cannot be told from what lies beyond" in line


def test_it_is_looked_for_again_while_unknown_and_when_it_falls_silent() -> None:
    net = Net(["192.0.2.1"])
    watch = net.watch()
    watch._looked_ns = watch._walked_ns = 0
    asyncio.run(watch.turn())
    assert net.walks == 0
    net.clock.now_ns = int(AGAIN_S * NS_PER_S)
    asyncio.run(watch.turn())
    assert (net.walks, net.found) == (1, [])
    net.steps = PATH
    net.clock.now_ns *= 2
    asyncio.run(watch.turn())
    assert net.found == ["198.51.100.1"]
    # It answers: nothing to look for.
    watch.edge_sample(answered=True)
    net.clock.now_ns += int((SILENT_S - 1) * NS_PER_S)
    asyncio.run(watch.turn())
    assert net.walks == 2
    # The route changes: the old hop is heard no more, and the new one is found within minutes.
    net.steps = ["192.0.2.1", "198.51.100.5", FAR]
    net.clock.now_ns += int(SILENT_AGAIN_S * NS_PER_S)
    watch.edge_sample(answered=False)
    asyncio.run(watch.turn())
    assert net.found == ["198.51.100.1", "198.51.100.5"]
    assert "no longer 198.51.100.1" in net.said[-1]
    assert net.clock.now_ns < EVERY_S * NS_PER_S


def test_in_an_outage_the_known_edge_stays() -> None:
    net = Net(PATH)
    watch = net.watch()
    net.route(watch)
    net.steps = ["192.0.2.1"]
    net.route(watch)
    assert watch.edge == "198.51.100.1"
    assert net.found == ["198.51.100.1"]


def test_the_dscp_is_asked_of_the_other_agents_too_since_only_they_tell_what_the_home_does_to_it() -> None:
    asked: list[str] = []

    class Listening(RouteWatch):
        async def _dscp(self, peer: Node, address: str) -> None:
            asked.append(peer.name)

        async def _sizes(self, peer: Node, address: str) -> None:
            return None

    net = Net([FAR])
    plain = net.watch()
    home = plain.now().home
    watch = Listening(
        now=plain.now, clock=plain.clock, estimate=plain.estimate, keep=plain.keep, found=plain.found,
        tell=plain.tell, walk=net.walk, answers=net.answers,
    )  # fmt: skip
    asyncio.run(watch.look())
    others = {n.name for n in home.agents if n.address is not None} - {"desk"}
    assert others
    assert others <= set(asked)
    assert "desk" not in asked
