"""Steps follow from the cause inside the hop: cheapest first, with figures, gain, check and cautions."""

import pytest
from msgspec.structs import replace

from inner_causes.drawn_hop import damaged, seen_of
from unit.advice.test_rank import known, verdict
from whichhop.advice.of_cause import plain_steps
from whichhop.advice.rank import advise
from whichhop.advice.step import step_words
from whichhop.inside.answer import answer_of
from whichhop.inside.seen import Seen, Sort, place_of
from whichhop.model import Cause, LinkKind, Medium
from whichhop.model.hop_facts import HopFacts
from whichhop.model.inner_cause import Cost, InnerAnswer, InnerCause, Reason


def _inside(cause: InnerCause, probability: float = 0.9) -> InnerAnswer:
    reason = Reason(cause=cause, probability=probability, evidence=("others held the channel 82 % of it",))
    return InnerAnswer(where="Wi-Fi between desk and attic", reasons=(reason,))


def test_a_busy_channel_calls_for_another_channel_before_a_cable() -> None:
    now = replace(
        verdict(Cause.WIRELESS_HOP, "desk/attic"), end_ns=None, inside=_inside(InnerCause.BUSY_CHANNEL)
    )
    mine = [s for s in advise(known(verdicts=(now,))) if s.where == "desk/attic" and s.key != "recall-change"]
    assert "another channel" in mine[0].what
    assert [list(Cost).index(s.cost) for s in mine] == sorted(list(Cost).index(s.cost) for s in mine)
    words = "\n".join(step_words(mine[0]))
    assert "82 %" in words
    assert "Should bring:" in words
    assert "whichhop before-after" in words
    wired = next(s for s in mine if s.what.startswith("Wire"))
    assert wired.cautions, "a cable in a wall has its cautions under its own step"
    assert "help-radio-hop" not in [s.key for s in mine]


@pytest.mark.parametrize(
    ("cause", "fault", "elements", "first"),
    [
        (InnerCause.WEAK_SIGNAL, Cause.WIRELESS_HOP, "desk/attic", "Ask whether desk or attic was moved"),
        (InnerCause.BUSY_CHANNEL, Cause.WIRELESS_HOP, "desk/attic", "Set attic to another channel"),
        (InnerCause.SLOW_PORT, Cause.WIRED_LAN, "study/router", "Push both plugs in at study and router"),
        (InnerCause.OVERLOAD, Cause.HOME_NODE, "node:router", "Give router air"),
        (InnerCause.LEVELS, Cause.UPSTREAM_LINK, "modem/provider-edge", "Ask whether somebody touched the"),
    ],
)
def test_the_first_step_follows_the_cause(cause: InnerCause, fault: Cause, elements: str, first: str) -> None:
    now = replace(verdict(fault, elements), end_ns=None, inside=_inside(cause))
    assert advise(known(verdicts=(now,)))[0].what.startswith(first)


def test_a_cause_that_is_not_named_leaves_the_general_step() -> None:
    unsure = replace(
        verdict(Cause.WIRELESS_HOP, "desk/attic"), inside=_inside(InnerCause.BUSY_CHANNEL, probability=0.5)
    )
    assert "help-radio-hop" in [s.key for s in advise(known(verdicts=(unsure,)))]


def test_bad_levels_lead_to_steps_without_a_cable_run_and_never_to_a_call_by_themselves() -> None:
    line = replace(
        verdict(Cause.UPSTREAM_LINK, "modem/provider-edge", proven=False), inside=_inside(InnerCause.LEVELS)
    )
    mine = [s for s in advise(known(verdicts=(line,))) if s.key.startswith("inside-")]
    assert [s.what.split()[0] for s in mine] == ["Tighten", "Take"]
    assert all(s.cautions for s in mine)


def test_a_line_that_is_not_told_from_the_box_at_its_end_has_a_cause_and_no_call_without_proof() -> None:
    home = known().home
    line = next(k.name for k in home.links if k.kind is LinkKind.ACCESS)
    group = replace(
        verdict(Cause.NOT_SEPARABLE, line), elements=(line, "route:router"), place="the line or the router"
    )
    place = place_of(home, group)
    assert place is not None
    assert place.words == "The line or the router"
    dead = replace(group, inside=_inside(InnerCause.LINE_OUTAGE))
    mine = [s for s in advise(known(verdicts=(dead,))) if s.key.startswith("inside-")]
    assert [s.what.split()[0] for s in mine] == ["Look"]
    own = replace(group, elements=("own-traffic", line))
    assert place_of(home, own) is None, "the home's own traffic is likelier: no cause of the line is told"


def test_a_backhaul_whose_cause_is_not_named_gets_steps_for_what_it_is_made_of() -> None:
    # Seen: a power line was to be moved nearer to the next mesh node.
    home = known().home
    link = next(k for k in home.links if k.name == "attic/router")
    for medium, first in ((Medium.POWER_LINE, "Plug both power line"), (Medium.COAX, "Tighten every coax")):
        links = tuple(replace(link, medium=medium) if k is link else k for k in home.links)
        now = replace(verdict(Cause.BACKHAUL, link.name), end_ns=None)
        steps = advise(replace(known(verdicts=(now,)), home=replace(home, links=links)))
        assert next(s.what for s in steps if s.key.startswith("inside-1")).startswith(first)
        assert plain_steps(replace(home, links=links), now)[0].startswith(first)


def test_a_cable_that_is_not_told_from_a_box_at_its_end_is_explained_by_its_counters_alone() -> None:
    # Seen: a gigabit port at 100 Mbit/s before a switch without an agent, and nothing was said of it.
    group = replace(
        verdict(Cause.NOT_SEPARABLE, "study/router"), elements=("node:router", "study/router"), end_ns=None
    )
    place = place_of(known().home, group)
    assert place is not None
    assert place.shared
    slow = HopFacts(
        agent="study", other="router", link="study/router", at_ns=0, port_speed_bps=1e8, port_able_bps=1e9
    )
    shape = seen_of(Sort.ETHERNET, (damaged,), 600.0, 1_003, facts=False)[0].shape
    by_counter = answer_of(Seen(place=place, verdict=group, shape=shape, facts=(slow,))).named
    assert by_counter is not None
    assert by_counter.cause is InnerCause.SLOW_PORT
    assert answer_of(Seen(place=place, verdict=group, shape=shape)).named is None
    far = replace(group, elements=("node:attic", "study/router"))
    assert place_of(known().home, far) is None, "a box elsewhere is no end of it"
