"""The self-check lets a home pass that is as asked, and names the figure of one that is not."""

from typing import Any

import pytest

from whichhop.lab.build.plan import make_plan
from whichhop.lab.check.as_asked import complaints, falls_short, jobs
from whichhop.lab.scenario import LinkNature, Scenario
from whichhop.lab.standard_home import alder_home

NATURE = LinkNature(delay_s=0.005, jitter_s=0.001, rate_bps=100_000_000, rate_up_bps=20_000_000)
LOSSY = LinkNature(delay_s=0.005, loss_ratio=0.1)


def scenario(nature: LinkNature) -> Scenario:
    return Scenario(name="x", home=alder_home(), natures={"desk/attic": nature})


def seen(**changed: object) -> dict[str, dict[str, Any]]:
    good = {
        "sent": 40,
        "came": 40,
        "delays_ns": [5_100_000 + i * 50_000 for i in range(40)],
        "rate_bps": 20.1e6,
    }
    return {"desk/attic up": {**good, **changed}}


def test_a_link_as_asked_passes() -> None:
    assert list(complaints(scenario(NATURE), seen())) == []


@pytest.mark.parametrize(
    ("changed", "named"),
    [
        ({"came": 39}, "39 of 40 packets"),
        ({"delays_ns": [1_000_000] * 40}, "delays from 1.00 ms"),
        ({"delays_ns": [5_000_000] + [9_000_000] * 39}, "lower quartile 9.00 ms"),
        ({"rate_bps": 900e6}, "900.0 Mbit/s passed where 20.0 Mbit/s"),
        ({"rate_bps": None}, "nothing passed"),
    ],
)
def test_a_link_unlike_what_was_asked_is_named_with_both_figures(
    changed: dict[str, object], named: str
) -> None:
    (line,) = complaints(scenario(NATURE), seen(**changed))
    assert line.startswith("desk/attic up: ")
    assert named in line


@pytest.mark.parametrize(
    ("rate_bps", "short"), [(18.3e6, True), (18.5e6, False), (900e6, False), (None, False)]
)
def test_only_a_link_that_passes_less_than_its_rate_falls_short(rate_bps: float | None, short: bool) -> None:
    assert falls_short(scenario(NATURE), seen(rate_bps=rate_bps)) is short


@pytest.mark.parametrize(("came", "fine"), [(360, True), (340, True), (400, False), (300, False)])
def test_natural_loss_is_held_to_binomial_bounds(came: int, fine: bool) -> None:
    # 400 packets, 10 %: 40 lost, sigma 6, bounds 4.5 sigma.
    found = seen(sent=400, came=came, delays_ns=[5_100_000] * came)
    assert (list(complaints(scenario(LOSSY), found)) == []) is fine


def test_every_link_is_measured_both_ways_and_rated_ones_for_rate() -> None:
    asked = scenario(NATURE)
    plan = make_plan(asked)
    made = jobs(asked, plan, dict.fromkeys(plan.home.nodes, 0))
    assert {j["name"] for j in made} == {f"{n} {w}" for n in plan.wires for w in ("up", "down")}
    rates = {j["name"]: j["rate_bps"] for j in made if j["rate_bps"] is not None}
    assert rates == {"desk/attic up": 20_000_000, "desk/attic down": 100_000_000}
