import random

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from support.live import ECHO, NAMES, STAMP
from support.records import any_sample, lifelike
from whichhop.model import Columns, Fate, Method, Reading, Record, Sample, SessionKey
from whichhop.serve.live import BOUNDS_NS, OTHER, LiveState


def fresh() -> LiveState:
    return LiveState(home="Alder House", agent="desk", names=NAMES)


def test_the_histogram_agrees_with_numpy() -> None:
    live = fresh()
    record = lifelike(random.Random(7), 28_333_333, STAMP, base_ns=400_000, spread_ns=9_000_000, count=3000)
    for sample in record.samples:
        live.observe(STAMP, sample)
    rtts = np.array([s.rtt_ns for s in record.samples if s.fate is Fate.ANSWERED])
    # numpy's bins are closed below, le buckets closed above: whole numbers shifted by one make them alike.
    edges = [-1, *BOUNDS_NS, 2**62]
    counts, _ = np.histogram(rtts, bins=np.array(edges) + 1)
    assert live.session(STAMP).buckets == counts.tolist()
    assert live.session(STAMP).rtt_sum_ns == rtts.sum()


def test_a_value_on_a_bound_is_in_that_bounds_bucket() -> None:
    live = fresh()
    live.observe(STAMP, Sample(sent_ns=1, fate=Fate.ANSWERED, rtt_ns=BOUNDS_NS[3]))
    assert live.session(STAMP).buckets[3] == 1


@given(st.lists(any_sample(), max_size=60))
def test_every_packet_is_accounted_for_once(samples: list[Sample]) -> None:
    live = fresh()
    for sample in samples:
        live.observe(ECHO, sample)
    state = live.session(ECHO)
    assert sum(state.fates.values()) == len(samples)
    assert state.sent == sum(not s.fate.set_aside for s in samples)


def test_targets_outside_the_home_file_share_one_label() -> None:
    live = fresh()
    for number in range(50):
        key = SessionKey(agent="desk", target=f"stranger-{number}", method=Method.ECHO)
        live.observe(key, Sample(sent_ns=number, fate=Fate.LOST))
    ((key, state),) = live.sessions()
    assert (key.target, state.fates[Fate.LOST]) == (OTHER, 50)


def test_counts_add_up_over_minutes_while_gauges_show_the_newest() -> None:
    live = fresh()
    record = Record(session=STAMP, minute=1, samples=Columns(), duplicates=2, reordered=1)
    for value in (4.0, 0.0, 1.5):
        names = ("suspended_s", "clock_step_s", "loop_lateness_s", "steps_nobody_knows")
        readings = [Reading(at_ns=1, agent="desk", name=n, value=value) for n in names]
        live.kept([record], readings)
    assert live.values == {
        "asleep_seconds": 5.5,
        "clock_steps": 2,
        "loop_lateness_seconds": 1.5,
        "store_records": 3,
    }
    assert (live.session(STAMP).duplicates, live.session(STAMP).reordered) == (6, 3)


def test_a_home_file_read_anew_drops_sessions_to_nodes_that_are_gone() -> None:
    live = fresh()
    for key in (STAMP, ECHO):
        live.observe(key, Sample(sent_ns=1, fate=Fate.LOST))
    live.forget([n for n in NAMES if n != "attic"], "Alder Lodge")
    assert [key for key, _ in live.sessions()] == [ECHO]
