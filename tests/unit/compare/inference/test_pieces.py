"""What a stretch of trouble is cut into: troubles with calm between them, each with candidates of its own."""

from types import SimpleNamespace

import numpy as np

from whichhop.compare.inference.pieces import AROUND_TICKS, CALM_TICKS, pieces
from whichhop.compare.inference.screening import Stretch
from whichhop.compare.inference.segment import OwnUse
from whichhop.compare.inference.settings import Settings
from whichhop.compare.suspects.elements import Nature

ONSET = np.full(3, 1e-4)
ELEMENTS = [SimpleNamespace(nature=n) for n in (Nature.RADIO, Nature.ACCESS, Nature.DESTINATION)]


def cut(*faults: tuple[int, int, int], ticks: int = 200) -> list[Stretch]:
    """The pieces of one stretch in which elements are at fault: (element, first tick, end)."""
    ratios = np.full((ticks, 3), -3.0)
    for element, first, end in faults:
        ratios[first:end, element] = 5.0
    scan = SimpleNamespace(
        ratios=ratios,
        quiet=np.zeros(ticks),
        late=np.zeros((ticks, 0)),
        columns=SimpleNamespace(may_be_late=()),
        settings=Settings(),
        table=SimpleNamespace(step_ns=10_000_000_000),
    )
    use = OwnUse(factor=np.ones(ticks), stay={}, known=True)
    return pieces(scan, ELEMENTS, ONSET, use, Stretch(first=0, end=ticks))


def test_two_troubles_with_calm_between_them_are_two_pieces_and_what_goes_on_is_one():
    found = cut((0, 40, 60), (2, 120, 140))
    assert len(found) == 2
    for piece, (first, end) in zip(found, ((40, 60), (120, 140)), strict=True):
        # A tick or two at an edge may be either's.
        assert 0 <= first - AROUND_TICKS - piece.first <= 2
        assert 0 <= piece.end - (end + AROUND_TICKS) <= 2
    # What overlaps, or comes again before three minutes are over, stays together.
    assert len(cut((0, 40, 60), (2, 50, 140))) == 1
    assert len(cut((0, 40, 60), (2, 60 + CALM_TICKS, 140))) == 1


def test_a_stretch_in_which_nothing_is_likely_has_no_piece_and_a_short_one_is_left_whole():
    assert cut() == []
    assert cut(ticks=CALM_TICKS) == [Stretch(first=0, end=CALM_TICKS)]
    # One odd tick is a blip; two are looked at.
    assert cut((0, 90, 92)) != []
