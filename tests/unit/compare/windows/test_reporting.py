import numpy as np
from msgspec.structs import replace

from support.homes import alder
from support.windows import START_NS, disturb, quiet
from whichhop.compare.windows.reporting import (
    LATENESS,
    first_answers,
    host_log_ratio,
    mute_boxes,
    reporting_of,
    widened,
)
from whichhop.model import Reading, derive_sessions
from whichhop.model.units import NS_PER_S

HOME = alder()
SESSIONS = derive_sessions(HOME)
AGENT = np.array([s.key.agent for s in SESSIONS])
TARGET = np.array([s.key.target for s in SESSIONS])


def reading(tick, name, value, agent="desk"):
    return Reading(at_ns=START_NS + tick * 10 * NS_PER_S, agent=agent, name=name, value=value)


def test_in_health_everybody_speaks():
    assert reporting_of(quiet(HOME, 10), SESSIONS, ()).speaks.all()


def test_a_sleeping_agent_neither_speaks_nor_is_asked_and_a_tick_more_on_either_side():
    table = quiet(HOME, 12)
    table.aside[5:8, AGENT == "desk"] = 10
    table.sent[5:8, AGENT == "desk"] = 0
    speaks = reporting_of(table, SESSIONS, ()).speaks
    touched = (AGENT == "desk") | (TARGET == "desk")
    assert not speaks[4:9, touched].any()
    assert speaks[:4].all()
    assert speaks[9:].all()
    assert speaks[:, ~touched].all()


def test_an_agent_not_heard_of_leaves_its_target_sessions_without_evidence():
    table = quiet(HOME, 12)
    table.sent[5:8, AGENT == "desk"] = 0
    table.lost[5:8, TARGET == "desk"] = 10
    speaks = reporting_of(table, SESSIONS, ()).speaks
    assert not speaks[5:8, TARGET == "desk"].any()


def test_a_busy_agents_questions_and_answers_are_set_aside():
    table = quiet(HOME, 12)
    found = reporting_of(table, SESSIONS, [reading(6, "loop_lateness_s", 0.3)])
    assert not found.speaks[5:7, AGENT == "desk"].any()
    assert not found.speaks[5:7, TARGET == "desk"].any()
    assert found.speaks[:5].all()
    assert found.speaks[:, (TARGET != "desk") & (AGENT != "desk")].all()


def test_an_agent_whose_every_reading_is_high_watches_nobody():
    table = quiet(HOME, 12)
    high, steal = reading(6, "loop_lateness_s", 0.3), reading(6, "steal_ratio", 0.01)
    assert reporting_of(table, SESSIONS, [high]).watched == set()
    # Fit by one reading and not by the other is not fit.
    assert reporting_of(table, SESSIONS, [high, steal]).watched == set()
    assert reporting_of(table, SESSIONS, [high, reading(9, "loop_lateness_s", 0.001)]).watched == {"desk"}


def test_only_the_time_that_a_reading_tells_of_is_set_aside():
    def asides(at_s, name, value):
        at = START_NS + round(at_s * NS_PER_S)
        told = Reading(at_ns=at, agent="desk", name=name, value=value)
        found = reporting_of(quiet(HOME, 12), SESSIONS, [told])
        return np.flatnonzero(found.aside[:, found.agents.index("desk")]).tolist()

    # Ticks of 10 s: a second in the midst of one, one across two, and a program late for 15 s.
    assert asides(65, "steal_ratio", 0.4) == [6]
    assert asides(60.5, "steal_ratio", 0.4) == [5, 6]
    assert asides(65, "loop_lateness_s", 15.0) == [5, 6]
    assert asides(65, "loop_lateness_s", 26.0) == [3, 4, 5, 6]
    assert asides(0.5, "steal_ratio", 0.4) == [0]


def test_what_the_kernel_stamps_is_on_time_though_the_program_is_late():
    kernel = {s.key: frozenset({"T1 T4", ""}) for s in SESSIONS}
    table = replace(quiet(HOME, 12), stamps=kernel)
    late, still = reading(6, "loop_lateness_s", 0.3), reading(6, "loop_lateness_s", 0.6)
    assert reporting_of(table, SESSIONS, [late]).speaks.all()
    assert not reporting_of(table, SESSIONS, [still]).speaks[5:7, AGENT == "desk"].any()
    one = next(s.key for s in SESSIONS if s.key.agent == "desk")
    in_part = replace(table, stamps=kernel | {one: frozenset({"T4"})})
    assert not reporting_of(in_part, SESSIONS, [late]).speaks[5:7, AGENT == "desk"].any()


def test_a_good_reading_sets_nothing_aside():
    found = reporting_of(quiet(HOME, 12), SESSIONS, [reading(6, "steal_ratio", 0.01)])
    assert found.speaks.all()
    assert found.watched == {"desk"}


def test_readings_of_other_things_and_other_times_are_passed_over():
    readings = [reading(600, "steal_ratio", 1.0), reading(3, "radio_rate_bps", 9e9)]
    assert reporting_of(quiet(HOME, 12), SESSIONS, readings).speaks.all()


def test_a_mask_is_widened_by_one_tick_each_way():
    mask = np.array([[False], [False], [True], [False], [False]])
    assert widened(mask)[:, 0].tolist() == [False, True, True, True, False]


def test_a_mesh_node_that_is_neither_heard_nor_answers_is_dead_and_that_is_evidence():
    table = quiet(HOME, 30)
    table.sent[10:, AGENT == "attic"] = 0
    table.lost[10:, TARGET == "attic"] = 10
    speaks = reporting_of(table, SESSIONS, ()).speaks
    assert speaks[10:, (TARGET == "attic") & (AGENT != "attic")].all()
    assert not speaks[10:, AGENT == "attic"].any()


def test_a_mesh_node_whose_records_are_late_answers_and_is_not_judged():
    table = quiet(HOME, 30)
    table.sent[10:, AGENT == "attic"] = 0
    assert not reporting_of(table, SESSIONS, ()).speaks[10:, TARGET == "attic"].any()


def test_the_worst_lateness_of_a_tick_is_kept_and_speaks_against_the_machine_when_it_is_small():
    told = [reading(6, LATENESS, 0.0004), reading(6, LATENESS, 0.001), reading(7, LATENESS, 0.02)]
    found = reporting_of(quiet(HOME, 12), SESSIONS, told)
    late = found.late_s[:, found.agents.index("desk")]
    # A reading at a tick's end is of that tick.
    assert late[5] == np.float32(0.001)
    assert late[6] == np.float32(0.02)
    ratio = host_log_ratio(late)
    assert ratio[5] == -2.0
    assert ratio[6] == 0.0
    assert ratio[0] == 0.0


def test_a_box_that_never_answered_says_nothing_once_what_lies_past_it_was_reached():
    # Common practice: many a provider's first hop answers no echo, and passes everything on.
    table = disturb(quiet(HOME, 20), HOME, "reply:provider-edge", slice(None), lost=10)
    table = disturb(table, HOME, "modem/provider-edge", slice(0, 5), lost=10)
    mute = mute_boxes(first_answers(table), range(20), SESSIONS)
    edge = TARGET == "provider-edge"
    assert not mute[:, ~edge].any()
    assert mute[5:, edge].all()
    # Until then the line may be what loses everything.
    assert not mute[:5].any()
    # It speaks from its first answer on.
    table.lost[12:, edge] = 0
    assert not mute_boxes(first_answers(table), range(20), SESSIONS)[12:].any()
