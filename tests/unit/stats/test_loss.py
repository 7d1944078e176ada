"""Loss counts: each packet in one place, directions only where they are known."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.model import Fate
from whichhop.stats.loss import LossCount, count

FATES = st.lists(st.sampled_from(Fate), max_size=200)


@given(FATES)
def test_every_packet_is_accounted_for(fates: list[Fate]) -> None:
    found = count(fates)
    assert found.sent + found.set_aside == len(fates)
    assert found.lost == sum(f.lost for f in fates)
    assert found.set_aside == sum(f.set_aside for f in fates)


def test_a_loss_without_direction_is_a_loss() -> None:
    found = count([Fate.ANSWERED, Fate.LOST_OUT, Fate.LOST])
    assert (found.lost, found.lost_out, found.lost_back, found.unknown) == (2, 1, 0, 1)


def test_empty_all_lost_and_single_sample() -> None:
    assert count([]) == LossCount()
    assert (count([Fate.LOST_OUT] * 4).lost, count([Fate.LOST_OUT] * 4).sent) == (4, 4)
    assert (count([Fate.ANSWERED]).lost, count([Fate.ANSWERED]).sent) == (0, 1)
    assert count([Fate.ASLEEP]).sent == 0


def test_an_unknown_fate_number_is_refused() -> None:
    with pytest.raises(ValueError, match="7"):
        count([7])
