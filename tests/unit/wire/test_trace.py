"""The ladder over paths written here: silence is never loss, the edge is named with its certainty."""

import random

from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import fields

from whichhop.wire.trace import (
    LAST_HOP,
    SILENT_END,
    TRIES,
    Edge,
    Hop,
    Ladder,
    Route,
    at_home,
    changed_steps,
    home_networks,
    provider_edge,
)

HOME = home_networks(["192.0.2.20", "192.0.2.1", "2001:db8::20"])
PATH = ["192.0.2.1", "198.51.100.1", "198.51.100.9", "203.0.113.7"]


def climb(path: list[str | None], *, speaks: float = 1.0, seed: int = 0, target: str = PATH[-1]) -> Route:
    """A ladder over routers written here; None never answers, the others with chance `speaks`."""
    ladder, dice = Ladder(target=target), random.Random(seed)
    while due := ladder.due():
        for ttl in due:
            at = path[min(ttl, len(path)) - 1]
            final = ttl >= len(path)
            if at is not None and (final or dice.random() < speaks):
                ladder.answer(ttl, at, ttl * 1_000_000, final=final)
    return ladder.route()


def test_each_step_of_a_talking_path_is_found_once() -> None:
    route = climb(list(PATH))
    assert [hop.addresses for hop in route.hops] == [(a,) for a in PATH]
    assert route.reached
    assert [hop.best_rtt_ns for hop in route.hops] == [1_000_000, 2_000_000, 3_000_000, 4_000_000]


@given(st.lists(st.booleans(), min_size=1, max_size=10), st.floats(0, 1), st.integers(0, 99))
def test_a_seldom_answering_path_is_asked_within_bounds_and_never_called_lossy(
    silent: list[bool], speaks: float, seed: int
) -> None:
    path: list[str | None] = [None if s else f"198.51.100.{i}" for i, s in enumerate(silent, 1)]
    route = climb([*path, "203.0.113.7"], speaks=speaks, seed=seed)
    for hop in route.hops:
        assert hop.asked <= TRIES
        assert hop.answered <= hop.asked
        assert hop.silent == (hop.answered == 0)
    # rate-limited answers must not be readable as loss: there is no such figure to read
    names = {f.name for f in fields(Hop)} | {f.name for f in fields(Route)}
    assert not any("loss" in name or "lost" in name for name in names)


def test_a_silent_router_in_the_middle_does_not_end_the_ladder() -> None:
    route = climb(["192.0.2.1", None, "198.51.100.9", "203.0.113.7"])
    assert [hop.silent for hop in route.hops] == [False, True, False, False]
    assert route.hops[1].asked == TRIES
    assert route.reached


def test_a_path_that_falls_silent_ends_the_ladder_early() -> None:
    ladder = Ladder(target="203.0.113.7")
    rounds = 0
    while ladder.due():
        rounds += 1
        ladder.answer(1, "192.0.2.1", 5, final=False)
    asked = sum(hop.asked for hop in ladder.route().hops)
    assert rounds < LAST_HOP * TRIES
    assert asked == 1, "silent steps at the far end are left out of the route"
    assert max(ladder._steps) <= 1 + SILENT_END + ladder.at_once


def test_answers_from_strangers_and_to_unasked_steps_are_ignored() -> None:
    ladder = Ladder(target="203.0.113.7")
    ladder.answer(3, "198.51.100.9", 5, final=False)
    assert ladder.route().hops == ()


def test_the_edge_is_the_first_hop_outside_the_home() -> None:
    assert provider_edge(climb(list(PATH)), HOME) == Edge(address="198.51.100.1", ttl=2, certain=True)


def test_behind_a_silent_step_the_edge_is_not_certain() -> None:
    edge = provider_edge(climb(["192.0.2.1", None, "198.51.100.9", "203.0.113.7"]), HOME)
    assert edge == Edge(address="198.51.100.9", ttl=3, certain=False)


def test_a_carriers_private_and_shared_addresses_are_outside_the_home() -> None:
    # RFC 6598 shared space and RFC 1918 space that is not the home's own
    for first in ("100.64.0.1", "10.20.0.1"):
        edge = provider_edge(climb(["192.0.2.1", first, "203.0.113.7"]), HOME)
        assert edge is not None
        assert edge.address == first


def test_a_ladder_that_never_leaves_home_finds_no_edge() -> None:
    assert provider_edge(climb(["192.0.2.1"], target="192.0.2.1"), HOME) is None
    assert provider_edge(Route(target="203.0.113.7", hops=()), HOME) is None


def test_link_local_and_both_families_of_the_home_are_at_home() -> None:
    assert at_home("fe80::1", HOME)
    assert at_home("2001:db8::1", HOME)
    assert not at_home("2001:db8:1::1", HOME)
    assert not at_home("192.0.3.1", HOME)


@given(st.integers(0, 99), st.floats(0, 1), st.floats(0, 1))
def test_the_same_path_seldom_answering_is_no_change(seed: int, one: float, other: float) -> None:
    before = climb(list(PATH), speaks=one, seed=seed)
    after = climb(list(PATH), speaks=other, seed=seed + 1)
    assert changed_steps(before, after) == ()


def test_another_router_or_another_length_is_a_change() -> None:
    before = climb(list(PATH))
    assert changed_steps(before, climb(["192.0.2.1", "198.51.100.1", "198.51.100.77", "203.0.113.7"])) == (3,)
    longer = climb(["192.0.2.1", "198.51.100.1", "198.51.100.9", None, "203.0.113.7"])
    assert changed_steps(before, longer) == (4,)


def test_equal_paths_that_share_an_address_are_no_change() -> None:
    ladder = Ladder(target="203.0.113.7")
    for ttl in ladder.due():
        ladder.answer(ttl, PATH[ttl - 1], 5, final=ttl == 4)
    ladder.answer(3, "198.51.100.77", 5, final=False)
    both = ladder.route()
    assert both.hops[2].addresses == ("198.51.100.9", "198.51.100.77")
    assert changed_steps(climb(list(PATH)), both) == ()
