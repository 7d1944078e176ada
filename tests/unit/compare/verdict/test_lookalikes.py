"""What an episode could not tell apart because agents fell silent, in a stretch that otherwise could."""

import numpy as np
import pytest

from support.homes import alder
from support.windows import START_NS, disturb, full_line, quiet
from whichhop.compare.history import judge
from whichhop.model import Cause, Reading, derive_sessions

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
AGENT = np.array([s.key.agent for s in SESSIONS])
TARGET = np.array([s.key.target for s in SESSIONS])
ATTIC = Reading(at_ns=START_NS, agent="attic", name="wan_tx_bytes", value=0.0)


def two_troubles(silent: slice):
    """The wireless hop, then in the same stretch the backhaul; in `silent` ticks only desk is heard."""
    table = disturb(quiet(HOME, 60), HOME, "desk/attic", slice(20, 26), delay_s=0.060)
    table = disturb(table, HOME, "attic/router", slice(32, 40), delay_s=0.060)
    away = AGENT != "desk"
    table.sent[silent, away] = 0
    table.q50_s[silent, away] = np.nan
    # Study sleeps; the attic's records are late, while it answers.
    asked = TARGET == "study"
    table.lost[silent, asked & ~away] = 10
    table.q50_s[silent, asked & ~away] = np.nan
    return table


def test_with_all_agents_both_are_told_apart():
    found = judge(HOME, SESSIONS, two_troubles(slice(0, 0)), [ATTIC])
    assert [v.elements for v in found] == [("desk/attic",), ("attic/router",)]


def test_an_episode_that_one_agent_saw_alone_is_not_separable_and_says_who_would_have_told():
    first, second = judge(HOME, SESSIONS, two_troubles(slice(28, 50)), [ATTIC])
    assert first.elements == ("desk/attic",)
    assert second.cause is Cause.NOT_SEPARABLE
    assert {"desk/attic", "attic/router"} <= set(second.elements)
    assert second.would_change[0] == "keep the agent on attic or study running: it was not heard then"


@pytest.mark.parametrize(
    ("first", "end", "named"), [(20, 40, ["own-traffic"]), (20, 55, ["own-traffic", "desk/attic"])]
)
def test_a_radio_on_own_traffics_way_is_part_of_it_as_long_as_it_comes_and_goes_with_it(first, end, named):
    table = disturb(quiet(HOME, 70), HOME, "modem/provider-edge", slice(20, 40), delay_s=0.120)
    table = disturb(table, HOME, "desk/attic", slice(first, end), delay_s=0.040)
    used = full_line(72, 20, 40)
    assert sorted(n for v in judge(HOME, SESSIONS, table, used) for n in v.elements) == sorted(named)
