"""Who dozes is told from what is slow: shapes as IEEE 802.11's power save makes them (clause 11.2)."""

import numpy as np
import pytest

from support.homes import alder
from support.windows import disturb, named, quiet
from whichhop.compare.case import prepare
from whichhop.compare.history import DEFAULT_SETTINGS, judge
from whichhop.compare.inference.evidence import columns_of
from whichhop.compare.inference.rated_ticks import scan
from whichhop.compare.inference.transients import late_alone
from whichhop.compare.suspects.elements import elements_of
from whichhop.model import Cause, derive_sessions

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
ELEMENTS = elements_of(HOME, SESSIONS)
COLUMNS = columns_of(ELEMENTS, len(SESSIONS))
SCALE = np.full(len(SESSIONS), 0.001)


def column(name):
    return sorted(next(e.column for e in ELEMENTS if e.name == name))


def found(over):
    return late_alone(over, SCALE, COLUMNS.matrix, COLUMNS.agents)


def test_one_late_session_among_clean_ones_is_odd():
    over = np.zeros((3, len(SESSIONS)))
    over[1, named(SESSIONS, "desk>router:echo")] = 0.2
    expected = over > 0
    assert (found(over) == expected).all()


@pytest.mark.parametrize("name", [e.name for e in ELEMENTS])
def test_whatever_delays_all_that_crosses_it_makes_no_session_odd(name):
    over = np.zeros((1, len(SESSIONS)))
    over[0, column(name)] = 0.1
    assert not found(over).any()


def test_a_dozing_agents_late_sessions_are_odd_together_but_not_beside_a_waking_witness():
    target = column("destination:harbour")
    mine = named(SESSIONS, "desk>harbour:stamp")
    over = np.zeros((2, len(SESSIONS)))
    over[:, named(SESSIONS, "desk>router:echo")] = 0.2
    over[:, mine] = 0.2
    over[1, target] = 0.2
    assert found(over)[0, mine]
    assert not found(over)[1, target].any()


def test_a_full_line_makes_no_lateness_of_a_dozing_agent_the_answering_boxs():
    over = np.zeros((1, len(SESSIONS)))
    over[0, [i for i, s in enumerate(SESSIONS) if s.key.target in ("attic", "desk", "study")]] = np.nan
    over[0, column("modem/provider-edge")] = 0.06
    mine = named(SESSIONS, "desk>router:echo")
    over[0, mine] = 0.2
    # By count what the line's sessions share with those inside the home looks guilty.
    shared = over[0, column("attic/router")]
    assert (shared > 0).sum() > (shared == 0).sum()
    assert found(over)[0].nonzero()[0].tolist() == [mine]


def test_an_agent_on_radio_that_alone_is_heard_for_an_hour_blames_nobody_for_its_dozing():
    table = quiet(HOME, 400)
    others = [i for i, s in enumerate(SESSIONS) if s.key.agent != "desk"]
    table.sent[30:390, others] = 0
    table.q50_s[30:390, others] = table.q80_s[30:390, others] = np.nan
    for text in ("desk>router:echo", "desk>harbour:stamp"):
        place = named(SESSIONS, text)
        table.q50_s[30:390, place] += 0.12
        table.q80_s[30:390, place] += 0.22
    assert judge(HOME, SESSIONS, table) == []


def test_who_varies_by_as_much_as_others_are_late_clears_nobody():
    own = column("host:desk")
    over, scale = np.zeros((1, len(SESSIONS))), SCALE.copy()
    over[0, own] = 0.04
    over[0, own[0]], scale[own[0]] = 0.0, 0.02
    assert not late_alone(over, scale, COLUMNS.matrix, COLUMNS.agents, every=True).any()
    steady = late_alone(over, SCALE, COLUMNS.matrix, COLUMNS.agents, every=True)
    assert steady[0, own[1:]].any()


def test_small_lateness_and_silence_are_not_odd():
    over = np.full((1, len(SESSIONS)), np.nan)
    assert not found(over).any()
    over[0] = 0.012
    assert not found(over).any()


def test_a_session_late_for_an_hour_by_itself_gets_no_verdict_and_hides_no_fault():
    table = quiet(HOME, 400)
    for text in ("desk>router:echo", "desk>harbour:stamp"):
        place = named(SESSIONS, text)
        table.q50_s[30:390, place] += 0.12
        table.q80_s[30:390, place] += 0.22
    assert judge(HOME, SESSIONS, table) == []
    disturb(table, HOME, "study/router", slice(200, 215), delay_s=0.04)
    (verdict,) = judge(HOME, SESSIONS, table)
    assert verdict.elements == ("study/router",)


def test_a_box_that_turns_away_one_asker_of_three_is_told_as_that_box_and_no_hop():
    table = quiet(HOME, 400)
    refused = named(SESSIONS, "desk>modem:echo")
    table.lost[200:240, refused] = 10
    table.q50_s[200:240, refused] = table.q80_s[200:240, refused] = np.nan
    (verdict,) = judge(HOME, SESSIONS, table)
    assert (verdict.cause, verdict.elements) == (Cause.RESPONDER, ("reply:modem",))


def test_dozing_agents_do_not_outvote_a_wired_one_that_is_answered_at_once():
    sessions, wired, radio = 5, [0], [1, 2]
    matrix = np.zeros((sessions, 1), dtype=np.float32)
    matrix[[0, 1, 2]] = 1.0
    agents = np.eye(sessions, dtype=bool)
    sleepy = np.array([False, True, True, True, True])
    over = np.zeros((1, sessions))
    over[0, radio] = 0.2
    assert not late_alone(over, np.full(sessions, 0.001), matrix, agents).any()
    assert late_alone(over, np.full(sessions, 0.001), matrix, agents, sleepy=sleepy)[0, radio].all()
    over[0, wired] = 0.2
    assert not late_alone(over, np.full(sessions, 0.001), matrix, agents, sleepy=sleepy).any()


@pytest.mark.parametrize("ill", [False, True])
def test_slow_answers_of_a_device_that_sleeps_are_no_fault_of_its_radio(ill):
    """Four answers in ten come after its sleep, of its own questions few; where its radio is ill, as many."""
    table = quiet(HOME, 300)
    table.slow[200:260, [i for i, s in enumerate(SESSIONS) if s.key.target == "desk"]] = 4
    own = [i for i, s in enumerate(SESSIONS) if s.key.agent == "desk"]
    table.slow[slice(200, 260, 1 if ill else 2), own] = 4 if ill else 1
    found = judge(HOME, SESSIONS, table)
    assert [v.elements for v in found] == ([("desk/attic",)] if ill else [])


@pytest.mark.parametrize("slower_s", [0.0, 0.04])
def test_a_session_too_noisy_to_show_a_fault_does_not_learn_it_for_its_own_past(slower_s):
    """Its own past moved by the whole 40 ms of its radio within ten minutes, and spoke against the radio."""
    table, rng = quiet(HOME, 120), np.random.default_rng(9)
    noisy = named(SESSIONS, "desk>harbour:stamp")
    own = rng.exponential(0.02, 120).astype(np.float32)
    table.q50_s[:, noisy] += own
    table.q80_s[:, noisy] += 2 * own
    disturb(table, HOME, "desk/attic", slice(20, 120), delay_s=slower_s)
    case = prepare(HOME, SESSIONS, table, (), DEFAULT_SETTINGS)
    done = scan(case.table, case.sessions, case.reporting, COLUMNS, case.settings)
    place = [s.key for s in case.sessions].index(SESSIONS[noisy].key)
    assert abs(done.baselines[-1].loc50[place] - done.baselines[10].loc50[place]) < 0.015
