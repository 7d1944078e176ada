"""What each link carries and which one is narrow: only what the transfers show, and no more."""

import pytest

from support.homes import alder
from whichhop.capacity.links import (
    DOWN,
    UP,
    Measured,
    Narrow,
    capacities,
    measured_of,
    narrow_links,
    narrow_words,
)
from whichhop.model import Reading

# desk/attic, attic/router, study/router, router/modem, modem/provider-edge; plan 100 down, 20 up
HOME = alder()


def moved(agent: str, other_end: str, way: str, mbps: float, *, at_least: bool = False) -> Measured:
    return Measured(agent=agent, other_end=other_end, way=way, rate_bps=mbps * 1e6, at_least=at_least)


def narrow(agent: str, way: str, measured: list[Measured]) -> Narrow:
    found = narrow_links(HOME, capacities(HOME, measured))
    return next(n for n in found if (n.agent, n.way) == (agent, way))


def test_a_transfer_across_one_link_bounds_it_from_both_sides() -> None:
    known = capacities(HOME, [moved("desk", "attic", "out", 60)])
    found = known["desk/attic", UP]
    assert (found.low_bps, found.high_bps, found.basis) == (60e6, 60e6, "a transfer desk to attic")
    assert known["desk/attic", DOWN].high_bps is None


def test_a_lower_bound_is_no_upper_one() -> None:
    found = capacities(HOME, [moved("desk", "attic", "out", 60, at_least=True)])["desk/attic", UP]
    assert (found.low_bps, found.high_bps) == (60e6, None)


def test_data_that_turns_at_the_router_goes_up_one_link_and_down_another() -> None:
    known = capacities(HOME, [moved("desk", "study", "out", 50)])
    lows = {at for at, found in known.items() if found.low_bps}
    assert lows == {("desk/attic", UP), ("attic/router", UP), ("study/router", DOWN)}
    # three links, one of them narrow: which one, nothing tells
    assert all(known[at].high_bps is None for at in lows)


def test_the_narrow_one_of_several_is_named_once_the_others_carried_more() -> None:
    known = capacities(
        HOME,
        [
            moved("desk", "study", "out", 50),
            moved("desk", "attic", "out", 300, at_least=True),
            moved("study", "attic", "back", 51),
            moved("study", "router", "back", 900, at_least=True),
        ],
    )
    assert known["attic/router", UP].high_bps == pytest.approx(51e6)
    assert known["desk/attic", UP].high_bps is None


def test_the_attics_backhaul_is_the_narrow_link_of_the_desk_and_not_of_the_study() -> None:
    measured = [
        moved("desk", "attic", "back", 300),
        moved("attic", "router", "back", 60),
        moved("study", "router", "back", 940, at_least=True),
        moved("study", "harbour", "back", 94),
    ]
    desk = narrow("desk", DOWN, measured)
    assert desk.links == ("attic/router",)
    assert desk.rate_bps == 60e6
    assert desk.under_plan is True
    assert "desk, down: attic/router is the narrow link, at most 60.0 Mb/s" in narrow_words(desk)
    study = narrow("study", DOWN, measured)
    assert study.links[-1] == "modem/provider-edge"
    assert study.under_plan is False


def test_what_was_never_measured_may_be_the_narrow_one_and_is_named() -> None:
    found = narrow("desk", DOWN, [])
    assert set(found.links) == {"desk/attic", "attic/router", "router/modem", "modem/provider-edge"}
    assert "of which one is narrow" in narrow_words(found)
    assert "a transfer across desk/attic" in narrow_words(found)


def test_a_ports_ceiling_counts_where_it_is_lower() -> None:
    known = capacities(
        HOME, [], {("router/modem", way): (94.1e6, "a port of 100 Mb/s") for way in (UP, DOWN)}
    )
    assert known["router/modem", UP].high_bps == 94.1e6
    assert known["modem/provider-edge", UP].basis == "the plan"


def test_the_newest_of_several_transfers_counts() -> None:
    def at(at_ns: int, name: str, value: float) -> Reading:
        return Reading(at_ns=at_ns, agent="desk", name=name, value=value)

    found = measured_of(
        [
            at(1, "transfer_out_rate_bps:attic", 50e6),
            at(2, "transfer_out_rate_bps:attic", 70e6),
            at(2, "transfer_out_at_least:attic", 1.0),
            at(2, "transfer_out_seconds:attic", 3.0),
        ]
    )
    assert found == [moved("desk", "attic", "out", 70, at_least=True)]
