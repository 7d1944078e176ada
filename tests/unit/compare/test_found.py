"""Spells of one radio that are one state: what lies between them decides, not how long it is alone."""

import numpy as np
import pytest

from support.homes import alder
from support.windows import quiet
from whichhop.compare.case import Case, prepare
from whichhop.compare.found import gone_on
from whichhop.compare.inference.settings import Settings
from whichhop.compare.verdict.episodes import Span
from whichhop.compare.verdict.verdict import FoundEpisode
from whichhop.model import LinkKind, derive_sessions
from whichhop.model.home import Home

HOME: Home = alder()
SESSIONS = derive_sessions(HOME)
RADIO = next(k.name for k in HOME.links if k.kind is LinkKind.WIRELESS)
LINE = next(k.name for k in HOME.links if k.kind is LinkKind.ACCESS)
SPELLS = ((30, 60), (200, 210), (300, 340))


def case_of(name: str, late_share: float) -> Case:
    """Quiet but for so many late answers over the element, from first to last."""
    table = quiet(HOME, 360)
    case = prepare(HOME, SESSIONS, table, (), Settings())
    column = sorted(next(e for e in case.elements if e.name == name).column)
    case.table.slow[:, column] = np.random.default_rng(1).binomial(case.table.sent[:, column], late_share)
    return case


def spells(case: Case, name: str) -> list[FoundEpisode]:
    place = next(j for j, e in enumerate(case.elements) if e.name == name)
    return [
        FoundEpisode(
            members=(place,),
            shares=(p,),
            span=Span(first=first, end=end, detected=first + 2),
            probability=p,
            lasting=False,
        )
        for (first, end), p in zip(SPELLS, (0.9, 0.7, 0.99), strict=True)
    ]


@pytest.mark.parametrize(
    ("late_share", "episodes"),
    # Weak radios as measured have 5 to 15 % of packets 16 ms and more above usual for hours, good ones 0.5 %.
    [(0.07, 1), (0.005, 3)],
)
def test_spells_of_a_radio_that_is_never_well_between_them_are_one_state(
    late_share: float, episodes: int
) -> None:
    case = case_of(RADIO, late_share)
    found = gone_on(case, spells(case, RADIO))
    assert len(found) == episodes
    if episodes == 1:
        (one,) = found
        assert (one.span.first, one.span.end, one.span.detected) == (30, 340, 32)
        assert one.there == SPELLS
        assert one.probability == pytest.approx(0.99), "those of the surest spell"


def test_each_spell_of_a_line_is_one_to_a_provider_whatever_lies_between() -> None:
    case = case_of(LINE, 0.07)
    assert gone_on(case, spells(case, LINE)) == spells(case, LINE)


def test_a_lull_of_less_than_a_tenth_of_what_went_before_ends_no_state_of_a_radio() -> None:
    case = case_of(RADIO, 0.005)
    long, _, _ = spells(case, RADIO)
    place = long.members
    first = FoundEpisode(
        members=place, shares=(0.9,), span=Span(first=0, end=300, detected=3), probability=0.9, lasting=False
    )
    soon = FoundEpisode(
        members=place,
        shares=(0.9,),
        span=Span(first=320, end=340, detected=322),
        probability=0.9,
        lasting=True,
    )
    (one,) = gone_on(case, [first, soon])
    assert one.there == ((0, 300), (320, 340))
    assert one.lasting
