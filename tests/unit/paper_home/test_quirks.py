"""Sleep, starvation, dozing, limits: what agents do on their own account."""

from itertools import chain

import numpy as np
import pytest

from paper_home.flight import NO_SAMPLE, Packets
from paper_home.paper import PaperRun, prepare
from support.paper import alder_house
from whichhop.lab.scenario import Quirk, QuirkKind
from whichhop.model import Fate


def _played(quirk: Quirk) -> tuple[PaperRun, Packets]:
    run = prepare(alder_house(quirks=(quirk,)), 2)
    return run, next(p for p in chain.from_iterable(run.chunks()) if p.interval_s == 1.0)


def _rows(run: PaperRun, part: Packets, *, agent: str | None = None, target: str | None = None) -> list[int]:
    keys = [run.sessions[r].key for r in part.rows]
    return [i for i, k in enumerate(keys) if agent in (None, k.agent) and target in (None, k.target)]


def test_a_sleeping_laptop_sends_nothing_and_answers_nobody() -> None:
    run, part = _played(Quirk(at_s=100, for_s=200, kind=QuirkKind.ASLEEP, element="host:desk"))
    own = part.fate[_rows(run, part, agent="desk")]
    assert (own[:, 105:295] == NO_SAMPLE).all()
    assert (own[:, 310:] == Fate.ANSWERED).all()
    assert (part.fate[_rows(run, part, target="desk")][:, 105:295] == Fate.LOST_OUT).all()


def test_an_absent_agent_still_answers_the_others() -> None:
    run, part = _played(Quirk(at_s=100, for_s=200, kind=QuirkKind.ABSENT, element="host:desk"))
    assert (part.fate[_rows(run, part, agent="desk")][:, 105:295] == NO_SAMPLE).all()
    assert (part.fate[_rows(run, part, target="desk")] == Fate.ANSWERED).all()


def test_a_busy_agent_sets_most_late_samples_aside_and_never_loses_one() -> None:
    run, part = _played(Quirk(at_s=100, for_s=400, kind=QuirkKind.BUSY, element="host:desk", size=0.2))
    own = part.fate[_rows(run, part, agent="desk")][:, 100:500]
    assert 0.2 < (own == Fate.BUSY).mean() < 0.4
    assert not ((own >= Fate.LOST) & (own <= Fate.LOST_BACK)).any()
    assert (part.fate[_rows(run, part, agent="study")] == Fate.ANSWERED).all()


def test_steal_slows_the_machine_for_those_who_ask_it_too() -> None:
    run, part = _played(Quirk(at_s=100, for_s=400, kind=QuirkKind.STEAL, element="host:desk", size=0.2))
    asked = part.rtt_s[_rows(run, part, agent="attic", target="desk")][:, 110:490]
    # Half of all seconds pause it, 0.2 s on average.
    assert np.nanmean(asked) == pytest.approx(0.1, abs=0.05)


def test_a_rate_limit_passes_its_rate_and_only_that() -> None:
    run, part = _played(Quirk(at_s=0, for_s=600, kind=QuirkKind.RATE_LIMIT, element="reply:router", size=2.0))
    asked = part.fate[_rows(run, part, target="router")]
    assert len(asked) == 3
    # Three a second ask, two a second pass, plus the bucket's first fill.
    assert (asked == Fate.ANSWERED).sum() == pytest.approx(1200, abs=6)
    assert (part.fate[_rows(run, part, target="harbour")] == Fate.ANSWERED).all()


def test_a_dozing_radio_delays_only_packets_after_idle_by_50_to_300_ms() -> None:
    run, part = _played(Quirk(at_s=100, for_s=400, kind=QuirkKind.POWER_SAVE, element="host:desk"))
    quiet = part.rtt_s[:, :90].max(axis=1, keepdims=True)
    late = (part.rtt_s - quiet)[:, 110:490]
    touched = late > 0.001
    assert touched.any()
    assert late[touched].min() >= 0.049
    assert late[touched].max() <= 0.301
    met = {run.sessions[part.rows[i]].key for i in np.flatnonzero(touched.any(axis=1))}
    assert all("desk" in (k.agent, k.target) for k in met)


def test_another_route_is_longer_to_that_peer_only() -> None:
    quirk = Quirk(at_s=300, for_s=300, kind=QuirkKind.ROUTE_CHANGE, element="destination:mill", size=0.015)
    run, part = _played(quirk)
    for row in range(len(part.rows)):
        added = part.rtt_s[row][310:] - part.rtt_s[row][:290].mean()
        there = run.sessions[part.rows[row]].key.target == "mill"
        assert added == pytest.approx(0.015 if there else 0.0, abs=1e-6)
