"""The plan says in ip, tc and nft lines what the scenario asks; queues sit where they bloat."""

from itertools import pairwise

import pytest

from whichhop.errors import DataError
from whichhop.lab.build.plan import (
    BUCKETS_S,
    DEVICE_CHARS,
    deepened,
    drop_rules,
    make_plan,
    rate_lines,
    reply_rules,
)
from whichhop.lab.scenario import Effect, Fault, LinkNature, Scenario
from whichhop.lab.standard_home import alder_home, alder_scenario
from whichhop.model import Cause


def fault(element: str, effect: Effect) -> Fault:
    return Fault(at_s=1, for_s=1, element=element, cause=Cause.HEALTHY, effect=effect)


def test_radio_access_and_beyond_have_the_relay_and_cables_do_not() -> None:
    wires = make_plan(alder_scenario()).wires
    assert {name for name, wire in wires.items() if wire.relay} == {
        "desk/attic",
        "attic/router",
        "modem/provider-edge",
        "beyond",
    }


@pytest.mark.parametrize(
    ("element", "effect", "relays"),
    [
        ("study/router", Effect(delay_s=0.01), {"study/router"}),
        ("study/router", Effect(loss_ratio=0.1), set()),
        ("node:router", Effect(delay_s=0.01), {"study/router", "router/modem"}),
        ("destination:harbour", Effect(jitter_s=0.01), {"beyond/harbour"}),
        ("host:study", Effect(delay_s=0.1), set()),
        ("reply:modem", Effect(delay_s=0.1), {"router/modem"}),
        ("reply:modem", Effect(outage=True), set()),
    ],
)
def test_a_scripted_fault_brings_the_relay_that_it_needs(
    element: str, effect: Effect, relays: set[str]
) -> None:
    plain = {"study/router", "router/modem", "beyond/harbour"}
    wires = make_plan(alder_scenario(faults=(fault(element, effect),))).wires
    assert {name for name in plain if wires[name].relay} == relays


def test_an_unknown_link_to_relay_is_refused_with_the_names_there_are() -> None:
    with pytest.raises(DataError, match=r"no link named attic; the links are: desk/attic"):
        make_plan(alder_scenario(), frozenset({"attic"}))


def test_the_access_queue_sits_at_the_modem_and_at_the_provider_not_at_hosts() -> None:
    lines = make_plan(alder_scenario()).tc_lines
    assert any("dev to-provider-edg" in line and "rate 20000000bit" in line for line in lines["modem"])
    assert any("dev to-modem" in line and "rate 100000000bit" in line for line in lines["provider-edge"])
    assert not any("tbf" in line for node in ("desk", "study", "harbour") for line in lines[node])


def test_a_hosts_own_rate_is_left_to_the_relay() -> None:
    # Shaping on the sending host does not bloat, since TCP holds back for its own host's queue.
    scenario = Scenario(name="x", home=alder_home(), natures={"desk/attic": LinkNature(rate_bps=50_000_000)})
    lines = make_plan(scenario).tc_lines
    assert not any("tbf" in line for line in lines["desk"])
    assert any("dev to-desk" in line and "tbf" in line for line in lines["attic"])


def test_a_queue_holds_the_time_it_was_asked_to_hold() -> None:
    # 20 Mbit/s x 0.15 s / 8 = 375,000 bytes beside the bucket of 20 Mbit/s x 0.004 s / 8.
    assert rate_lines("x", 20_000_000, 0.15, relay=True) == (
        "qdisc replace dev x root handle 1: tbf rate 20000000bit burst 10000 limit 385000",
    )


def test_a_deeper_bucket_holds_more_time_and_leaves_the_queue_as_deep() -> None:
    # 20 Mbit/s x 0.016 s / 8 = 40,000 bytes, and 375,000 of queue behind them.
    assert rate_lines("x", 20_000_000, 0.15, relay=True, bucket_s=0.016) == (
        "qdisc replace dev x root handle 1: tbf rate 20000000bit burst 40000 limit 415000",
    )
    plan = make_plan(alder_scenario())
    depths = []
    while plan is not None:
        depths.append(plan.bucket_s)
        last, plan = plan, deepened(plan, alder_scenario())
    assert depths == list(BUCKETS_S)
    # 100 Mbit/s x 0.064 s / 8.
    assert any("burst 800000 " in line for line in last.tc_lines["provider-edge"])


def test_every_line_that_names_a_device_says_dev() -> None:
    # iproute2 takes some names for keywords where "dev" is left out.
    plan = make_plan(alder_scenario(), frozenset({"all"}))
    for lines in (*plan.ip_lines.values(), *plan.tc_lines.values()):
        for line in lines:
            words = line.split()
            for before, word in pairwise(words):
                if word.startswith("to-"):
                    assert before == "dev", line


def test_device_names_fit_the_kernel_and_are_unique_in_their_node() -> None:
    wires = make_plan(alder_scenario()).wires.values()
    names = [(end.node, end.device) for wire in wires for end in (wire.near, wire.far)]
    assert all(len(device) <= DEVICE_CHARS for _, device in names)
    assert len(set(names)) == len(names)


@pytest.mark.parametrize(
    ("chance", "rule"),
    [
        (0.05, "numgen random mod 1000000 < 50000 counter drop"),
        (1.0, "counter drop"),
        (0.000001, "numgen random mod 1000000 < 1 counter drop"),
    ],
)
def test_random_drop_is_written_in_millionths(chance: float, rule: str) -> None:
    for text in (drop_rules("t", "x", chance), reply_rules("t", chance)):
        assert rule in text
    assert ("numgen" in drop_rules("t", "x", chance)) == (chance < 1)


def test_no_chance_takes_the_rules_away() -> None:
    assert drop_rules("t", "x", 0) == "table netdev t\ndelete table netdev t\n"
    assert reply_rules("t", 0) == "table inet t\ndelete table inet t\n"
