"""An element's name means the same links in the namespaces as in a verdict."""

import pytest

from whichhop.errors import DataError
from whichhop.lab.links.elements import as_built, check_effect, effects_on, find_spot
from whichhop.lab.scenario import Effect, FaultWay
from whichhop.lab.standard_home import alder_home

HOME = alder_home()
LINKS = as_built(HOME).links
SLOW = Effect(delay_s=0.01)


def acted_on(element: str, effect: Effect = SLOW) -> set[str]:
    spot = find_spot(HOME, element)
    return {
        f"{link.name} {way}"
        for link in LINKS
        for way in (FaultWay.UP, FaultWay.DOWN)
        if effects_on([(spot, effect)], link, way)
    }


@pytest.mark.parametrize(
    ("element", "where"),
    [
        ("desk/attic", {"desk/attic up", "desk/attic down"}),
        ("beyond", {"beyond up", "beyond down"}),
        ("air:attic", {"desk/attic up", "desk/attic down", "attic/router up", "attic/router down"}),
        ("node:attic", {"desk/attic down", "attic/router up"}),
        ("node:router", {"attic/router down", "study/router down", "router/modem up"}),
        ("destination:harbour", {"beyond/harbour up", "beyond/harbour down"}),
        ("host:desk", set()),
        ("reply:router", set()),
    ],
)
def test_each_kind_of_element_acts_where_its_name_says(element: str, where: set[str]) -> None:
    assert acted_on(element) == where
    assert find_spot(HOME, element).element == element


def test_a_node_delays_what_crosses_it_once_each_way() -> None:
    path = HOME.path("desk", "router")
    assert path is not None
    up = [name for name in acted_on("node:attic") if name.endswith(" up")]
    down = [name for name in acted_on("node:attic") if name.endswith(" down")]
    assert (len(up), len(down)) == (1, 1)


def test_an_effect_of_one_way_acts_one_way_only() -> None:
    assert acted_on("beyond", Effect(delay_s=0.01, way=FaultWay.UP)) == {"beyond up"}


@pytest.mark.parametrize(
    "element", ["desk", "desk/router", "host:nobody", "destination:router", "moon:desk", ""]
)
def test_an_unknown_element_is_refused_with_what_there_is(element: str) -> None:
    with pytest.raises(DataError, match="links: desk/attic"):
        find_spot(HOME, element)


@pytest.mark.parametrize(
    ("element", "effect"),
    [
        ("host:desk", Effect(loss_ratio=0.1)),
        ("host:desk", Effect(delay_s=1.0)),
        ("reply:router", Effect(rate_bps=10_000)),
    ],
)
def test_an_effect_that_an_element_cannot_have_is_refused(element: str, effect: Effect) -> None:
    with pytest.raises(DataError, match=element):
        check_effect(find_spot(HOME, element), effect)
