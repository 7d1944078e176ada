"""A fault's figures are its own: what another fault explains at the same time is in nobody else's."""

import numpy as np
import pytest
from msgspec import Struct

from paper_home.paper import prepare
from paper_home.records import readings_of_run
from paper_home.table import table_of_run
from support.homes import alder
from support.paper import alder_house
from whichhop.compare.comparison import compare_windows
from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.verdict.alone import explained, heard_alone
from whichhop.compare.verdict.episodes import Span
from whichhop.lab.scenario import Effect, Fault
from whichhop.model import Cause, Verdict, derive_sessions
from whichhop.model.units import NS_PER_S


class Episode(Struct, frozen=True):
    members: tuple[int, ...]
    span: Span
    there: tuple[tuple[int, int], ...] = ()


def span(first: int, end: int) -> Span:
    return Span(first=first, end=end, detected=first)


def test_samples_over_another_fault_are_explained_while_it_was_there() -> None:
    home = alder()
    elements = elements_of(home, derive_sessions(home))
    line, radio = (
        next(j for j, e in enumerate(elements) if e.name == name)
        for name in ("modem/provider-edge", "desk/attic")
    )
    mine = Episode((line,), span(10, 20))
    other = Episode((radio,), span(0, 30), there=((0, 12), (18, 30)))
    column = sorted(elements[radio].column)
    found = explained(elements, mine, [mine, other])
    assert np.flatnonzero(found[:, column[0]]).tolist() == [0, 1, 8, 9]
    assert np.flatnonzero(found.any(axis=0)).tolist() == column
    # A group that shares an element with it is about the same place.
    assert not explained(elements, mine, [mine, Episode((radio, line), span(0, 30))]).any()


def test_where_nothing_else_was_heard_all_of_it_counts() -> None:
    speaks = np.ones((4, 2), dtype=bool)
    others = np.array([[True], [False], [False], [True]])
    assert heard_alone(speaks, others, [0])[:, 0].tolist() == [False, True, True, False]
    assert heard_alone(speaks, others, [0])[:, 1].all()
    assert heard_alone(speaks, np.array([[True], [True], [False], [True]]), [0]).all(), (
        "one tick tells little"
    )
    assert heard_alone(speaks, np.ones((4, 1), dtype=bool), [0]).all()
    assert heard_alone(speaks, None, [0]) is speaks


@pytest.mark.slow
def test_a_lines_loss_is_not_that_of_the_wifi_besides() -> None:
    """Both losses are as scripted, to the binomial's own spread: 1 - (1 - p)^2 of a way there and back."""
    line = Fault(
        at_s=1500,
        for_s=900,
        element="modem/provider-edge",
        cause=Cause.UPSTREAM_LINK,
        effect=Effect(loss_ratio=0.083),
    )
    radio = Fault(
        at_s=1800, for_s=300, element="desk/attic", cause=Cause.WIRELESS_HOP, effect=Effect(loss_ratio=0.2)
    )
    scenario = alder_house(seconds=2700, faults=(line, radio))
    run, start_ns = prepare(scenario, 7), 1_767_268_800 * NS_PER_S
    found = compare_windows(scenario.home, table_of_run(run, start_ns), readings_of_run(run, start_ns))
    assert found is not None

    def loss(name: str) -> Verdict:
        (verdict,) = [v for v in found.verdicts if v.elements[0] == name]
        return verdict

    for name, p in (("modem/provider-edge", 0.083), ("desk/attic", 0.2)):
        severity = loss(name).severity
        assert severity is not None
        assert severity.loss_low is not None
        assert severity.loss_high is not None
        assert severity.loss_low <= 1 - (1 - p) ** 2 <= severity.loss_high
        assert severity.loss_ratio == pytest.approx(1 - (1 - p) ** 2, abs=0.02)
