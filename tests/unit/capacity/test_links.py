"""What each link carries and which one is narrow: only what the transfers show, and no more."""

import pytest

from support.homes import alder
from whichhop.capacity.links import (
    DOWN,
    UP,
    Narrow,
    capacities,
    narrow_links,
    narrow_words,
)
from whichhop.capacity.transfers import Measured, measured_of
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
    assert (
        "desk, down: attic/router is the narrow link, at most 60.0 Mbit/s by a transfer attic from router"
        in narrow_words(desk)
    )
    study = narrow("study", DOWN, measured)
    assert study.links[-1] == "modem/provider-edge"
    assert study.under_plan is False


def test_what_was_never_measured_may_be_the_narrow_one_and_is_named() -> None:
    found = narrow("desk", DOWN, [])
    assert set(found.links) == {"desk/attic", "attic/router", "router/modem", "modem/provider-edge"}
    assert "nothing narrower than the plan's 94.1 Mbit/s is known" in narrow_words(found)
    assert "a transfer across desk/attic" in narrow_words(found)


def test_a_ports_ceiling_counts_where_it_is_lower() -> None:
    known = capacities(
        HOME, [], {("router/modem", way): (94.1e6, "a port of 100 Mbit/s") for way in (UP, DOWN)}
    )
    assert known["router/modem", UP].high_bps == 94.1e6
    assert known["modem/provider-edge", UP].basis == "the plan"


def at(at_ns: int, name: str, value: float, agent: str = "desk") -> Reading:
    return Reading(at_ns=at_ns, agent=agent, name=name, value=value)


def rates(name: str, *mbps: float, agent: str = "desk") -> list[Reading]:
    return [at(i, name, one * 1e6, agent) for i, one in enumerate(mbps, 1)]


def test_one_slow_transfer_after_many_is_not_what_the_path_carries() -> None:
    # Seen before: 12 transfers at 930 and the newest at 95: "seen 95, the narrow link".
    (found,) = measured_of(rates("transfer_back_rate_bps:router", *([930] * 12), 95, agent="study"))
    assert found.rate_bps == 930e6
    assert found.tests == 13
    assert found.since_ns is None
    told = narrow_words(narrow("study", DOWN, [found]))
    assert "95" not in told.split("the plan")[0].replace("94.", "")


def test_a_path_that_became_slow_is_told_with_what_it_was() -> None:
    # 3 of 15, all apart from all older ones: by chance 1 of C(15, 3) = 455.
    name = "transfer_back_rate_bps:router"
    (found,) = measured_of(rates(name, *([930] * 12), 95, 94, 93, agent="study"))
    assert (found.rate_bps, found.earlier_bps, found.since_ns) == (94e6, 930e6, 13)
    known = capacities(HOME, [found])
    assert known["study/router", DOWN].high_bps == 94e6
    assert "930.0 before" in known["study/router", DOWN].basis


def test_transfers_that_a_machine_limited_do_not_lower_what_the_others_tell() -> None:
    readings = rates("transfer_out_rate_bps:attic", 70, 71, 20, 72)
    readings.append(at(3, "transfer_out_at_least:attic", 1.0))
    (found,) = measured_of(readings)
    assert found == Measured(
        agent="desk",
        other_end="attic",
        way="out",
        rate_bps=71e6,
        at_least=False,
        tests=3,
        low_bps=pytest.approx(70.2e6),
        high_bps=pytest.approx(71.8e6),
    )


def test_the_line_is_narrower_than_the_plan_when_wired_tests_say_so() -> None:
    # Seen before: 40 of 100 in every test: "at most 94.1 by the plan; no less than the plan".
    found = narrow("study", DOWN, [moved("study", "harbour", "back", 40)])
    assert found.links == ("modem/provider-edge",)
    assert found.rate_bps == 40e6
    assert found.under_plan is True
    assert "or what lies beyond it" in narrow_words(found)
    assert "no less than the plan" not in narrow_words(found)


def test_a_test_through_a_narrow_hop_says_nothing_of_the_line() -> None:
    measured = [moved("desk", "harbour", "back", 38), moved("attic", "router", "back", 38.6)]
    known = capacities(HOME, measured)
    assert known["attic/router", DOWN].high_bps == pytest.approx(38.6e6)
    assert known["modem/provider-edge", DOWN].basis == "the plan"


def test_an_ethernet_port_that_passes_200_runs_at_1000_and_one_that_passes_94_may_not() -> None:
    wide = alder("down_mbps: 100", "down_mbps: 500")
    fast = capacities(wide, [moved("study", "harbour", "back", 200)])
    assert fast["modem/provider-edge", DOWN].high_bps == 200e6
    slow = capacities(wide, [moved("study", "harbour", "back", 94)])
    assert slow["modem/provider-edge", DOWN].basis == "the plan"
