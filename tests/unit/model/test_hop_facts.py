"""Facts of a hop travel as readings and come back whole; what nobody told stays unknown."""

from support.homes import alder
from whichhop.model import Reading
from whichhop.model.hop_facts import FACT_NAMES, OF_LINKS, HopFacts, facts_of, readings_of


def test_facts_become_readings_and_facts_again() -> None:
    facts = HopFacts(
        agent="desk", other="attic", link="desk/attic", at_ns=5, radio_signal_dbm=-71.0, radio_busy_share=0.0
    )
    assert facts_of(alder(), readings_of(facts)) == (facts,)


def test_what_nobody_told_is_none_and_no_reading() -> None:
    facts = HopFacts(agent="desk", other="attic", link="desk/attic", at_ns=5)
    assert facts.radio_busy_share is None
    assert readings_of(facts) == []


def test_readings_of_strangers_and_of_other_things_are_passed_over() -> None:
    strange = [
        Reading(at_ns=1, agent="desk", name="radio_signal_dbm:nobody", value=-40.0),
        Reading(at_ns=1, agent="desk", name="loop_lateness_s", value=0.1),
    ]
    assert facts_of(alder(), strange) == ()


def test_a_box_by_itself_has_no_link() -> None:
    told = [Reading(at_ns=1, agent="desk", name="node_uptime_s:router", value=60.0)]
    (facts,) = facts_of(alder(), told)
    assert (facts.link, facts.node_uptime_s) == ("", 60.0)


def test_every_name_that_link_readings_have_is_a_fact() -> None:
    assert set(OF_LINKS) <= set(FACT_NAMES)
