"""Ceilings that the agents read off their own ports and radios, and where they are overruled."""

import pytest

from support.homes import alder
from whichhop.cabling.rates import RADIO_REAL
from whichhop.capacity.links import (
    DOWN,
    UP,
    Ceilings,
    Measured,
    capacities,
    lowest,
    narrow_links,
    narrow_words,
    observed_ceilings,
)
from whichhop.model import Reading

HOME = alder()


def reading(agent: str, name: str, value: float, at_ns: int = 1) -> Reading:
    return Reading(at_ns=at_ns, agent=agent, name=name, value=value)


def observed(*readings: Reading) -> Ceilings:
    return observed_ceilings(HOME, readings, radio_share=RADIO_REAL)


def test_a_port_carries_its_frames_payload_both_ways() -> None:
    found = observed(reading("study", "port_speed_bps:router", 100e6))
    # 1448 octets of data in 1538 on the wire (IEEE 802.3 with gap, IPv4, TCP with time stamps)
    assert found["study/router", UP][0] == pytest.approx(100e6 * 1448 / 1538)
    assert found["study/router", DOWN] == found["study/router", UP]
    assert found["study/router", UP][1] == "study's port, negotiated at 100 Mbit/s"


def test_half_duplex_is_told() -> None:
    found = observed(
        reading("study", "port_speed_bps:router", 10e6), reading("study", "port_full_duplex:router", 0.0)
    )
    assert found["study/router", UP][1].endswith("half duplex")


def test_a_radios_two_rates_hold_each_its_own_direction() -> None:
    found = observed(
        reading("desk", "radio_rate_bps:attic", 200e6), reading("desk", "radio_receive_rate_bps:attic", 400e6)
    )
    assert found["desk/attic", UP][0] == pytest.approx(120e6)
    assert found["desk/attic", DOWN][0] == pytest.approx(240e6)
    # The other end's view of the same hop: what the attic sends goes down.
    other = observed(reading("attic", "radio_rate_bps:desk", 100e6))
    assert list(other) == [("desk/attic", DOWN)]


def test_the_newest_reading_counts_and_of_both_ends_the_lower() -> None:
    found = observed(
        reading("study", "port_speed_bps:router", 100e6, at_ns=1),
        reading("study", "port_speed_bps:router", 1e9, at_ns=2),
    )
    assert found["study/router", UP][0] > 900e6
    assert lowest(found, {("study/router", UP): (5.0, "x")})["study/router", UP] == (5.0, "x")


@pytest.mark.parametrize("name", ["port_speed_bps:harbour", "port_speed_bps:moon", "steal_ratio"])
def test_what_is_no_link_of_the_home_is_passed_over(name: str) -> None:
    assert observed(reading("study", name, 100e6)) == {}


def moved(mbps: float, way: str = "back") -> Measured:
    return Measured(agent="study", other_end="harbour", way=way, rate_bps=mbps * 1e6, at_least=False)


def test_a_port_under_the_plan_is_the_narrow_link() -> None:
    ceilings = observed(reading("study", "port_speed_bps:router", 10e6))
    found = narrow_links(HOME, capacities(HOME, [], ceilings))
    words = next(narrow_words(n) for n in found if (n.agent, n.way) == ("study", DOWN))
    assert "at most 9.4 Mbit/s by study's port, negotiated at 10 Mbit/s" in words
    assert "less than the plan" in words


def test_a_ceiling_that_was_passed_is_none() -> None:
    # A virtual device tells 10 Mbit/s and carries a hundred times as much.
    known = capacities(HOME, [moved(80)], observed(reading("study", "port_speed_bps:router", 10e6)))
    assert known["study/router", DOWN].high_bps is None
    assert known["study/router", DOWN].low_bps == 80e6


def test_a_line_that_gives_more_than_the_plan_is_told_so() -> None:
    known = capacities(HOME, [moved(110)])
    assert known["modem/provider-edge", DOWN].high_bps == 110e6
    assert known["modem/provider-edge", DOWN].basis == "a transfer, above the plan"
