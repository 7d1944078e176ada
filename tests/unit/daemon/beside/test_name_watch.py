"""Host names of targets: looked up when used, their address kept, and every trouble one line."""

import asyncio

import pytest
from msgspec import Struct, field

from support.homes import alder
from whichhop.daemon.beside.upstream import EVERY_S, SOON_S, NameWatch, chosen
from whichhop.errors import RemoteError
from whichhop.model import Home, derive_sessions

HARBOUR = "harbour.example.net"


def named() -> Home:
    return alder("address: 203.0.113.7", f"address: {HARBOUR}")


class Net(Struct):
    """A resolver and an agent of our own."""

    answers: dict[str, list[str]] = field(default_factory=dict)
    found: dict[str, str] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)

    async def look_up(self, name: str) -> list[str]:
        if name not in self.answers:
            raise RemoteError(f"{name}: no address is known for it; check its spelling")
        return self.answers[name]

    def watch(self) -> NameWatch:
        return NameWatch(
            home=named,
            found=self.found,
            place=self.found.__setitem__,
            tell=self.said.append,
            look_up=self.look_up,
            has_way=lambda _: "192.0.2.20",
        )


def test_a_name_gets_its_address_and_keeps_it_while_the_resolver_still_gives_it() -> None:
    net = Net({HARBOUR: ["203.0.113.7"]})
    watch = net.watch()
    assert watch.wait_s == SOON_S
    asyncio.run(watch.turn())
    assert net.found == {HARBOUR: "203.0.113.7"}
    assert watch.wait_s == EVERY_S
    # Balancing gives the addresses in another order: that is no change.
    net.answers[HARBOUR] = ["203.0.113.9", "203.0.113.7"]
    asyncio.run(watch.turn())
    assert net.found == {HARBOUR: "203.0.113.7"}
    net.answers[HARBOUR] = ["203.0.113.9"]
    asyncio.run(watch.turn())
    assert net.found == {HARBOUR: "203.0.113.9"}
    assert net.said == [f"{HARBOUR} is 203.0.113.7", f"{HARBOUR} is 203.0.113.9, no longer 203.0.113.7"]


def test_a_resolver_that_is_gone_leaves_the_last_address_and_says_so() -> None:
    net = Net({HARBOUR: ["203.0.113.7"]})
    watch = net.watch()
    asyncio.run(watch.turn())
    net.answers.clear()
    with pytest.raises(RemoteError, match=r"going on with 203\.0\.113\.7, its last address"):
        asyncio.run(watch.turn())
    assert net.found == {HARBOUR: "203.0.113.7"}


def test_a_name_that_never_had_an_address_is_not_probed_and_that_is_said() -> None:
    with pytest.raises(RemoteError, match="not probed until it has an address"):
        asyncio.run(Net().watch().turn())
    assert {s.address for s in derive_sessions(named()) if s.key.target == "harbour"} == {None}


@pytest.mark.parametrize("address", ["192.0.2.1", "127.0.0.1", "::1", "224.0.0.1", "0.0.0.0", "fe80::1"])
def test_a_name_cannot_point_into_the_home_or_at_this_machine(address: str) -> None:
    with pytest.raises(RemoteError, match=HARBOUR):
        chosen(HARBOUR, [address], named())


def test_of_two_families_the_one_that_has_a_way_is_taken() -> None:
    both = ["203.0.113.7", "2001:db8::7"]
    assert chosen(HARBOUR, both, named(), lambda a: a if ":" in a else None) == "2001:db8::7"
    assert chosen(HARBOUR, both, named(), lambda a: None) == "203.0.113.7"


def test_the_addresses_that_were_found_are_in_the_homes_sessions() -> None:
    home = named().with_addresses({HARBOUR: "203.0.113.7"})
    assert {s.address for s in derive_sessions(home) if s.key.target == "harbour"} == {"203.0.113.7"}
    assert alder().with_addresses({HARBOUR: "203.0.113.7"}) == alder()
