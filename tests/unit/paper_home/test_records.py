"""Records and readings of the paper home round the model's nouns."""

import numpy as np
import pytest

from paper_home.paper import prepare
from paper_home.records import readings_of_run, records_of_run
from support.paper import alder_house
from whichhop.lab.scenario import Quirk, QuirkKind
from whichhop.model import Fate, Method
from whichhop.model.units import NS_PER_MINUTE

START_NS = 29_000_000 * NS_PER_MINUTE + 7_000_000_000


def test_records_hold_every_packet_once_in_its_own_minute() -> None:
    scenario = alder_house(seconds=600, noise=1.0)
    run = prepare(scenario, 3)
    records = list(records_of_run(run, START_NS))
    for session in run.sessions:
        own = [r for r in records if r.session == session.key]
        samples = [s for r in own for s in r.samples]
        assert len(samples) == 600 / session.interval_s
        assert all(s.sent_ns // NS_PER_MINUTE == r.minute for r in own for s in r.samples)
        gaps = np.diff([s.sent_ns for s in samples])
        assert gaps == pytest.approx(session.interval_s * 1e9, abs=2)
        assert len({r.minute for r in own}) == len(own) == 11


def test_a_sample_has_a_round_trip_exactly_when_it_was_answered_and_a_way_out_only_with_stamp() -> None:
    quirk = Quirk(at_s=100, for_s=100, kind=QuirkKind.BUSY, element="host:desk", size=0.3)
    run = prepare(alder_house(seconds=600, noise=1.0, quirks=(quirk,)), 3)
    seen = set()
    for record in records_of_run(run, START_NS):
        for sample in record.samples:
            seen.add(sample.fate)
            answered = sample.fate in (Fate.ANSWERED, Fate.LATE)
            assert (sample.rtt_ns is not None) == answered
            assert (sample.out_ns is not None) == (answered and record.session.method is Method.STAMP)
            assert sample.rtt_ns is None or sample.rtt_ns > 0
    assert Fate.ANSWERED in seen
    assert Fate.BUSY in seen


def test_the_same_seed_gives_the_same_records() -> None:
    one, two = (list(records_of_run(prepare(alder_house(noise=1.0), 12), START_NS)) for _ in range(2))
    assert one == two


def test_counters_rise_by_what_the_home_sent() -> None:
    quirk = Quirk(at_s=100, for_s=200, kind=QuirkKind.TRAFFIC_UP, element="own-traffic", size=0.5)
    readings = readings_of_run(prepare(alder_house(quirks=(quirk,)), 3), START_NS)
    sent = [r for r in readings if r.name == "wan_tx_bytes"]
    values = np.array([r.value for r in sent])
    assert (np.diff(values) >= 0).all()
    # 200 s at half of 40 Mbit/s is 500 MB.
    assert values[-1] == pytest.approx(500e6, rel=0.01)
    assert sent[0].at_ns == START_NS + 10_000_000_000


def test_a_starved_agent_says_so_and_a_sleeping_one_says_nothing() -> None:
    quirks = (
        Quirk(at_s=100, for_s=100, kind=QuirkKind.STEAL, element="host:desk", size=0.1),
        Quirk(at_s=300, for_s=100, kind=QuirkKind.ASLEEP, element="host:desk"),
    )
    readings = readings_of_run(prepare(alder_house(quirks=quirks), 3), START_NS)
    late = {
        (r.at_ns - START_NS) // 10**9: r.value
        for r in readings
        if r.agent == "desk" and r.name == "loop_lateness_s"
    }
    assert late[150] == pytest.approx(0.3)
    assert late[250] < 0.01
    assert 350 not in late
    assert max(r.value for r in readings if r.agent == "study" and r.name == "steal_ratio") == 0.0
