"""The bulletin on drawn tables: its figures are those put into the table by hand."""

import msgspec
import numpy as np
import pytest

from support.homes import alder
from support.windows import START_NS, disturb, named, quiet
from whichhop.compare.bulletin import bulletin_of
from whichhop.compare.live import Follower
from whichhop.compare.windows.table import TICK_NS, WindowTable
from whichhop.model import Cause, Reading, derive_sessions
from whichhop.model.bulletin import Bulletin, LinkState

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)
FAULT = slice(30, 40)


def after(table: WindowTable, **words: object) -> Bulletin:
    follower = Follower(HOME, SESSIONS, start_ns=table.start_ns)
    told = follower.feed(table)
    return bulletin_of(follower.standing(), told, **words)  # type: ignore[arg-type]


def test_a_calm_home_is_calm_on_every_link_from_the_far_ends_to_the_provider() -> None:
    said = after(quiet(HOME, 40))
    assert [link.name for link in said.links] == [
        "desk/attic",
        "attic/router",
        "study/router",
        "router/modem",
        "modem/provider-edge",
        "beyond",
    ]
    assert {link.state for link in said.links} == {LinkState.NO_FAULT}
    assert said.told == ()
    assert said.findings == ()
    assert (said.at_ns - said.since_ns) // TICK_NS == 40
    assert said.learning_s == 0
    assert {a.name: a.heard_ns for a in said.agents} == dict.fromkeys(("attic", "desk", "study"), said.at_ns)


def test_a_link_at_fault_shows_its_excess_and_its_verdict_in_words() -> None:
    said = after(disturb(quiet(HOME, 40), HOME, "attic/router", FAULT, delay_s=0.050, lost=1))
    (told,) = said.told
    assert told.verdict.cause is Cause.BACKHAUL
    assert told.words[0].startswith("The backhaul: the link attic to router")
    by_name = {link.name: link for link in said.links}
    link = by_name["attic/router"]
    assert link.state is LinkState.AT_FAULT
    assert link.probability > 0.9
    # attic>router has one link of 2 ms (see support.windows) and the 50 ms put on it; 1 in 10 packets lost.
    assert link.added_s == pytest.approx(0.050, abs=0.002)
    assert link.rtt_s == pytest.approx(0.052, abs=0.002)
    assert link.loss_ratio == pytest.approx(0.1)
    assert by_name["study/router"].state is LinkState.NO_FAULT


def test_before_the_first_baseline_nothing_is_known_and_the_wait_is_told() -> None:
    said = after(quiet(HOME, 2))
    assert {link.state for link in said.links} == {LinkState.UNKNOWN}
    # Three quiet ticks are needed (inference/settings.py), the fourth is judged: two more after these.
    assert said.learning_s == pytest.approx(2 * TICK_NS * 1e-9)


def test_a_silent_agent_is_told_with_its_last_word_and_its_links_are_not_known() -> None:
    table = quiet(HOME, 40)
    mute = [i for i, s in enumerate(table.sessions) if s.agent == "desk" or s.target == "desk"]
    table.sent[30:, mute] = 0
    table.q50_s[30:, mute] = np.nan
    table.q80_s[30:, mute] = np.nan
    said = after(table, troubles={"desk": "no answer"})
    (desk,) = [a for a in said.agents if a.name == "desk"]
    assert (desk.heard_ns, desk.trouble) == (START_NS + 30 * TICK_NS, "no answer")
    states = {link.name: link.state for link in said.links}
    assert states["desk/attic"] is LinkState.UNKNOWN
    assert states["attic/router"] is LinkState.NO_FAULT


def test_a_bulletin_survives_json() -> None:
    table = disturb(quiet(HOME, 40), HOME, "desk/attic", FAULT, lost=5)
    table.q50_s[:, named(SESSIONS, "attic>router:echo")] = np.nan
    said = after(table)
    assert msgspec.json.decode(msgspec.json.encode(said), type=Bulletin) == said
    assert b"NaN" not in msgspec.json.encode(said)


def test_what_would_make_a_verdict_sure_is_the_next_step() -> None:
    readings = [
        Reading(at_ns=START_NS + i * TICK_NS, agent="attic", name="loop_lateness_s", value=0.001)
        for i in range(40)
    ]
    table = disturb(quiet(HOME, 40), HOME, "modem/provider-edge", FAULT, delay_s=0.080)
    follower = Follower(HOME, SESSIONS, start_ns=table.start_ns)
    told = follower.feed(table, readings)
    said = bulletin_of(follower.standing(), told)
    assert said.told[0].verdict.cause is Cause.NOT_SEPARABLE
    assert any("counters" in step for step in said.steps)
