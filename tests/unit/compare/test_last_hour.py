"""The home's state now from an hour of records on paper."""

import pytest

from paper_home.paper import prepare
from paper_home.records import readings_of_run, records_of_run
from support.paper import alder_house
from whichhop.compare.last_hour import judge_lately
from whichhop.lab.scenario import Effect, Fault
from whichhop.model import Cause
from whichhop.model.bulletin import LinkState

START_NS = 1_772_388_000 * 10**9
MINUTES = 20


@pytest.mark.slow
def test_a_fault_of_the_last_minutes_is_seen_and_lasts() -> None:
    fault = Fault(
        at_s=15 * 60.0,
        for_s=600.0,
        element="attic/router",
        cause=Cause.BACKHAUL,
        effect=Effect(delay_s=0.05, loss_ratio=0.1),
    )
    scenario = alder_house(seconds=MINUTES * 60.0, faults=(fault,))
    run = prepare(scenario, seed=4)
    found = judge_lately(
        scenario.home,
        list(records_of_run(run, START_NS)),
        readings_of_run(run, START_NS),
        start_ns=START_NS,
        end_ns=START_NS + MINUTES * 60 * 10**9,
        troubles={"study": "no answer"},
    )
    assert found is not None
    (told,) = [t for t in found.told if t.verdict.end_ns is None]
    assert told.verdict.cause is Cause.BACKHAUL
    assert {k.name: k.state for k in found.links}["attic/router"] is LinkState.AT_FAULT
    assert next(a for a in found.agents if a.name == "study").trouble == "no answer"


def test_nothing_measured_is_nothing_to_say() -> None:
    home = alder_house().home
    assert judge_lately(home, [], [], start_ns=0, end_ns=10**12, troubles={}) is None
