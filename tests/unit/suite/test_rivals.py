"""The simple methods find a plain fault of a plain home: they are rivals, not straw men."""

import pytest

from paper_home.paper import prepare
from paper_home.records import readings_of_run
from paper_home.table import table_of_run
from suite.case import Case
from suite.play import METHODS, START_NS, Data
from support.paper import alder_house
from whichhop.lab.scenario import Effect, Fault
from whichhop.model import Cause
from whichhop.model.units import NS_PER_S

PLAIN = ["subtraction", "least squares", "Boolean"]


def _data(element: str, cause: Cause) -> Data:
    fault = Fault(at_s=900, for_s=200, element=element, cause=cause, effect=Effect(delay_s=0.05))
    scenario = alder_house(seconds=1800, faults=(fault,), noise=1.0)
    run = prepare(scenario, 3)
    return Data(
        case=Case(recipe="mixed", seed=3, scenario=scenario, labels=()),
        sessions=run.sessions,
        table=table_of_run(run, START_NS),
        readings=readings_of_run(run, START_NS),
        draw_s=0.0,
    )


@pytest.mark.parametrize("method", PLAIN)
@pytest.mark.parametrize(
    ("element", "cause"),
    [("attic/router", Cause.BACKHAUL), ("beyond", Cause.BEYOND), ("desk/attic", Cause.WIRELESS_HOP)],
)
def test_a_large_steady_delay_is_put_on_its_link(method: str, element: str, cause: Cause) -> None:
    verdicts = METHODS[method](_data(element, cause))
    near = [v for v in verdicts if abs(v.start_ns - START_NS - 900 * NS_PER_S) < 30 * NS_PER_S]
    assert any(element in v.elements for v in near), verdicts
