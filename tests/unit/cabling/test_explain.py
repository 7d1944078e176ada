"""What levels add to a verdict on the access link: the coax in the house, or a clean line."""

import pytest

from support.channels import down
from whichhop.cabling.against_reading import LevelDifference
from whichhop.cabling.codeword_timing import Timing
from whichhop.cabling.explain import Explanation, explain
from whichhop.cabling.judge_levels import judge_channels
from whichhop.model import Cause, Channel, Owner, Verdict


def verdict(cause: Cause = Cause.UPSTREAM_LINK) -> Verdict:
    return Verdict(cause=cause, elements=("modem/provider-edge",), probability=0.99, start_ns=0, end_ns=None)


def difference(excess_db: float) -> LevelDifference:
    return LevelDifference(rows=(), excess_db=excess_db, slope_db=None, words=f"{excess_db} dB unexplained")


TIED = Timing(intervals=100, bursts=9, loss_s=90.0, matched_s=80.0, expected_s=9.0, p_value=0.001, shifts=91)


def told(channels: list[Channel], **more: object) -> Explanation:
    found = explain(verdict(), judge_channels(channels), **more)  # type: ignore[arg-type]
    assert found is not None
    return found


def test_clean_levels_leave_the_line() -> None:
    found = told([down(1)])
    assert found.sentence == "access line with clean levels"
    assert found.whose is Owner.PROVIDER


def test_bad_levels_with_loss_inside_the_house_are_the_homes() -> None:
    found = told([down(1, power_dbmv=-18.0)], difference=difference(9.0))
    assert found.sentence == "access line, and the coax in the house explains it"
    assert found.whose is Owner.HOME
    assert found.reasons[0] == "9.0 dB unexplained"


def test_listed_parts_that_eat_a_good_level_are_the_homes() -> None:
    found = told([down(1, power_dbmv=-18.0)], difference=difference(0.5), start_level_fine=True)
    assert found.whose is Owner.HOME


def test_a_bad_level_where_it_enters_is_the_providers() -> None:
    found = told([down(1, power_dbmv=-18.0)], difference=difference(0.5), start_level_fine=False)
    assert "enters the house already" in found.sentence
    assert found.whose is Owner.PROVIDER


def test_bad_levels_alone_do_not_tell_house_from_drop() -> None:
    found = told([down(1, power_dbmv=-18.0)])
    assert found.whose is None
    assert "the coax in the house or the provider's drop" in found.sentence
    assert len(found.next_steps) == 2


def test_marginal_levels_are_blamed_only_when_bursts_tie_them_to_the_loss() -> None:
    loose = told([down(1, power_dbmv=-9.0)], difference=difference(6.0))
    assert "nothing ties them to the loss" in loose.sentence
    assert loose.whose is Owner.PROVIDER
    tied = told([down(1, power_dbmv=-9.0)], difference=difference(6.0), timing=TIED)
    assert tied.whose is Owner.HOME
    assert "p = 0.001 over 91 shifts" in tied.reasons[0]


def test_clean_levels_with_bursts_stay_the_providers_and_say_so() -> None:
    assert told([down(1)], timing=TIED).sentence.endswith("yet bursts of lost codewords come with the loss")


@pytest.mark.parametrize(
    ("channels", "part"),
    [([], "not known"), ([down(1, mer_db=60.0)], "not believable")],
)
def test_unknown_and_implausible_levels_neither_blame_nor_clear(channels: list[Channel], part: str) -> None:
    assert part in told(channels).sentence


def test_other_verdicts_are_left_alone() -> None:
    assert explain(verdict(Cause.BACKHAUL), judge_channels([down(1)])) is None
