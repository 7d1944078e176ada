"""Looking for the provider's first hop over routes made here: told once, kept, never guessed."""

import asyncio

import pytest

from support.homes import alder
from whichhop.daemon.discovery import AGAIN_S, EVERY_S, EdgeFinder
from whichhop.errors import SystemRefusedError
from whichhop.wire.trace import Hop, Route

HARBOUR = "203.0.113.7"


def route(*addresses: str | None) -> Route:
    """A route through these routers to the harbour; None is silent."""
    hops = [
        Hop(ttl=ttl, addresses=() if a is None else (a,), asked=1, answered=a is not None, final=a == HARBOUR)
        for ttl, a in enumerate((*addresses, HARBOUR), 1)
    ]
    return Route(target=HARBOUR, hops=tuple(hops))


GOOD = route("192.0.2.1", "198.51.100.1", "198.51.100.9")


class World:
    """A finder whose routes are handed to it one by one."""

    def __init__(self, *routes: Route | SystemRefusedError) -> None:
        self.routes, self.asked, self.said = list(routes), list[str](), list[str]()
        home = alder("provider-edge: 198.51.100.1", "provider-edge: discover")
        self.finder = EdgeFinder(home=home, find=self.find, say=self.said.append)

    async def find(self, target: str) -> Route:
        self.asked.append(target)
        given = self.routes.pop(0)
        if isinstance(given, SystemRefusedError):
            raise given
        return given

    def look(self) -> str | None:
        return asyncio.run(self.finder.look())


def test_the_first_hop_outside_the_home_is_found_on_the_way_to_the_first_anchor() -> None:
    world = World(GOOD)
    assert world.finder.wait_s == AGAIN_S
    assert world.look() == "198.51.100.1"
    assert world.asked == [HARBOUR]
    assert world.said == ["the provider's first hop is 198.51.100.1, 2 steps from here"]
    assert world.finder.wait_s == EVERY_S


def test_the_same_finding_again_is_no_news() -> None:
    world = World(GOOD, GOOD)
    world.look()
    assert world.look() is None
    assert len(world.said) == 1


def test_another_first_hop_is_news_and_so_is_the_change_of_route() -> None:
    world = World(GOOD, route("192.0.2.1", "198.51.100.77", "198.51.100.9"))
    world.look()
    assert world.look() == "198.51.100.77"
    assert world.said[1:] == [
        "the route to harbour changed at step 2",
        "the provider's first hop is 198.51.100.77, 2 steps from here",
    ]


@pytest.mark.parametrize("unsure", [route("192.0.2.1", None), route("192.0.2.1")], ids=["silent", "direct"])
def test_a_hop_that_may_not_be_the_providers_first_is_not_taken(unsure: Route) -> None:
    world = World(unsure, unsure)
    assert world.look() is None
    assert world.finder.edge is None
    assert world.look() is None
    assert len(world.said) == 1, "the same trouble is told once"
    assert "write its address in the home file" in world.said[0]


def test_trouble_is_told_once_and_what_was_found_stays() -> None:
    refused = SystemRefusedError("no way to 203.0.113.7 from this machine: down; check its network")
    world = World(GOOD, refused, refused, GOOD, refused)
    world.look()
    assert world.look() is None
    assert world.look() is None
    assert world.said[1:] == [str(refused)]
    assert world.finder.edge is not None
    assert world.look() is None
    assert world.look() is None
    assert world.said[1:] == [str(refused)] * 2, "after a success the same trouble is news again"


def test_a_home_with_another_anchor_is_no_change_of_route() -> None:
    other = Route(target="203.0.113.8", hops=route("192.0.2.1", "198.51.100.1", "198.51.100.5").hops)
    world = World(GOOD, other)
    world.look()
    world.finder.home = alder(HARBOUR, "203.0.113.8")
    world.look()
    assert len(world.said) == 1
