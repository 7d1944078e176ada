"""The share of late packets against the use of the line, by the utilization law (textbook)."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.homes import alder
from support.windows import disturb, quiet
from whichhop.compare.windows.late_share import ALL_LATE, beyond_use, felt_use, late_share
from whichhop.model import derive_sessions

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
LINE = "modem/provider-edge"


def test_a_late_median_is_a_half_and_a_quiet_line_has_none_late() -> None:
    found = late_share(disturb(quiet(HOME, 40), HOME, LINE, slice(20, 30), delay_s=0.05), SESSIONS)
    np.testing.assert_allclose(found[:18], 0.0)
    np.testing.assert_allclose(found[21:29], ALL_LATE)


def test_what_one_agent_alone_has_is_not_the_lines() -> None:
    table = quiet(HOME, 40)
    mine = [i for i, s in enumerate(SESSIONS) if s.key.agent == SESSIONS[0].key.agent]
    table.q50_s[20:30, mine] += 0.05
    np.testing.assert_allclose(late_share(table, SESSIONS), 0.0)


def test_as_loss_without_delay_is_no_full_buffers_all_count() -> None:
    found = late_share(disturb(quiet(HOME, 40), HOME, LINE, slice(20, 30), lost=2), SESSIONS)
    np.testing.assert_allclose(found[21:29], ALL_LATE)


@given(st.floats(0, 1), st.floats(0, 0.5))
def test_the_use_that_is_felt_is_never_less_than_the_use(share: float, late: float) -> None:
    assert felt_use(np.array([share]), np.array([late]), 10.0)[0] >= share


def test_seconds_that_are_busy_by_chance_are_seldom_taken_for_more_than_the_use() -> None:
    # All packets of a busy second wait. Two standard errors above: one case in forty (normal law).
    dice = np.random.default_rng(1)
    late = dice.binomial(10, 0.3, (400, 60)) / 10
    assert np.mean([beyond_use(np.full(60, 0.3), row, 10.0) for row in late]) < 0.05


@pytest.mark.parametrize(("use", "late", "beyond"), [(0.05, 0.3, True), (0.3, 0.3, False), (0.0, 0.2, True)])
def test_more_late_than_busy_is_beyond_it(use: float, late: float, beyond: bool) -> None:
    assert beyond_use(np.full(40, use), np.full(40, late), 10.0) is beyond


def test_nothing_is_said_of_what_is_not_known() -> None:
    assert not beyond_use(np.full(4, np.nan), np.full(4, 0.5), 10.0)
    assert felt_use(np.array([0.2]), np.array([np.nan]), 10.0)[0] == pytest.approx(0.2, abs=0.1)


@pytest.mark.parametrize(("step_s", "ticks"), [(10.0, 12), (30.0, 4), (60.0, 2)])
@pytest.mark.parametrize(("late", "beyond"), [(0.25, False), (0.30, True)])
def test_two_minutes_say_as_much_in_windows_of_any_length(
    step_s: float, ticks: int, late: float, beyond: bool
) -> None:
    """Two standard errors of a fifth over 120 seconds (binomial, textbook) are 0.073, however cut."""
    assert beyond_use(np.full(ticks, 0.2), np.full(ticks, late), step_s) is beyond


@pytest.mark.parametrize("ticks", [0, 1, 2])
def test_a_table_of_no_or_few_ticks_has_as_many_shares(ticks: int) -> None:
    assert late_share(quiet(HOME, 40).span(0, ticks), SESSIONS).shape == (ticks,)
    assert late_share(quiet(HOME, 40).picked([]), ()).shape == (40,)
