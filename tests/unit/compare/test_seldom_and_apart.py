"""Who asks too seldom for a median, and whom nobody may reach, still tell of what is lost."""

import numpy as np

from support.homes import alder
from support.windows import disturb, quiet
from whichhop.compare.history import judge
from whichhop.model import Cause, derive_sessions

HOME = alder()
SESSIONS = derive_sessions(HOME)
FAULT = slice(60, 100)


def sessions_of(agent):
    return [i for i, s in enumerate(SESSIONS) if s.key.agent == agent]


def without_medians(table, agent, sent):
    """An agent that asks so many times a tick: under three answers no quantile speaks."""
    mine = sessions_of(agent)
    table.sent[:, mine] = sent
    table.q50_s[:, mine] = table.q80_s[:, mine] = np.nan
    return table


def test_a_cable_that_loses_a_third_is_told_of_by_an_agent_that_asks_each_five_seconds_beside_others():
    table = without_medians(quiet(HOME, 140), "study", 2)
    mine = sessions_of("study")
    shape = (FAULT.stop - FAULT.start, len(mine))
    table.lost[FAULT, mine] = np.random.default_rng(2).binomial(2, 0.35, shape)
    to_study = [i for i, s in enumerate(SESSIONS) if s.key.target == "study"]
    # Asleep, as all who ask it are.
    table.sent[FAULT, to_study] = 0
    table.q50_s[FAULT, to_study] = table.q80_s[FAULT, to_study] = np.nan
    (verdict,) = judge(HOME, SESSIONS, table)
    assert "study/router" in verdict.elements
    assert 0.25 < verdict.severity.loss_ratio < 0.45


def test_an_agent_without_medians_that_loses_nothing_is_no_trouble():
    assert judge(HOME, SESSIONS, without_medians(quiet(HOME, 140), "study", 2)) == []


def test_a_guests_radio_is_one_with_its_machine_where_nobody_may_reach_it():
    """Loss that both explain is split between them, so that neither is sure enough, unless they are one."""
    table = quiet(HOME, 140)
    apart = [i for i, s in enumerate(SESSIONS) if s.key.target == "desk"]
    apart += [i for i in sessions_of("desk") if SESSIONS[i].key.target == "study"]
    disturb(table, HOME, "desk/attic", FAULT, lost=3)
    table.lost[:, apart] = table.sent[:, apart]
    table.q50_s[:, apart] = table.q80_s[:, apart] = np.nan
    (verdict,) = judge(HOME, SESSIONS, table)
    assert verdict.cause is Cause.WIRELESS_HOP
    assert {"desk/attic", "host:desk"} <= set(verdict.elements)
