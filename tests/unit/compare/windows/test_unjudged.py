"""How long agents were not judged, against windows set aside by hand."""

import numpy as np

from support.homes import alder
from support.windows import START_NS, quiet
from whichhop.compare.windows.reporting import aside_ticks, reporting_of, unjudged_s
from whichhop.compare.windows.table import TICK_NS
from whichhop.model import Reading, derive_sessions

HOME = alder()
SESSIONS = derive_sessions(HOME)
AGENT = np.array([s.key.agent for s in SESSIONS])


def test_in_health_nobody_is_set_aside() -> None:
    table = quiet(HOME, 10)
    assert unjudged_s([aside_ticks(reporting_of(table, SESSIONS, ()), table)], table.step_ns) == {}


def test_a_second_stolen_across_two_windows_counts_both_for_the_agent_that_told() -> None:
    table = quiet(HOME, 12)
    stolen = Reading(at_ns=START_NS + 6 * TICK_NS, agent="desk", name="steal_ratio", value=0.4)
    assert unjudged_s([aside_ticks(reporting_of(table, SESSIONS, [stolen]), table)], table.step_ns) == {
        "desk": 20.0
    }


def test_sleep_counts_with_a_window_on_either_side_and_the_time_before_and_after_does_not() -> None:
    table = quiet(HOME, 20)
    asleep = AGENT == "desk"
    table.sent[8:11, asleep] = 0
    assert unjudged_s([aside_ticks(reporting_of(table, SESSIONS, ()), table)], table.step_ns) == {
        "desk": 50.0
    }
    table.sent[:3, asleep] = 0
    table.sent[15:, asleep] = 0
    assert unjudged_s([aside_ticks(reporting_of(table, SESSIONS, ()), table)], table.step_ns) == {
        "desk": 50.0
    }
