"""The fleet's windows hold what the comparer reads of records, in few series that the home file bounds."""

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from whichhop.cabling.level_readings import to_readings
from whichhop.compare.windows import reporting, table
from whichhop.compare.windows.filling import Cutter
from whichhop.daemon.fleet import windows
from whichhop.daemon.fleet.windows import FleetWindows, figures, short
from whichhop.daemon.minutes import SETTLE_NS
from whichhop.lab.standard_home import alder_home
from whichhop.model import Columns, Fate, Method, Reading, Record, Sample, SessionKey, derive_sessions
from whichhop.model.channel import Carrier, Channel, Direction, ModemLevels
from whichhop.model.fleet import PREFIX, Series, WindowMetric

NS = 1_000_000_000
START_NS = 1_767_268_800 * NS
KEY = SessionKey(agent="desk", target="router", method=Method.STAMP)
SAMPLES = st.lists(
    st.builds(
        lambda at, fate, rtt: Sample(
            sent_ns=START_NS + at, fate=fate, rtt_ns=rtt if fate in (Fate.ANSWERED, Fate.LATE) else None
        ),
        st.integers(0, 10 * NS - 1),
        st.sampled_from([Fate.ANSWERED] * 6 + list(Fate)),
        st.integers(1_000, 2_900_000_000),
    ),
    max_size=40,
)


def test_the_constants_are_the_comparers() -> None:
    assert windows.WINDOW_NS == table.TICK_NS
    assert windows.LEAST_ANSWERS == table.LEAST_ANSWERS
    assert round(table.SLOW_S * NS) == windows.SLOW_NS
    assert round(table.TAIL_CAP_S * NS) == windows.EXCESS_CAP_NS
    assert windows.LEAST_STEAL < reporting.MOST_STEAL


@given(SAMPLES)
@settings(max_examples=150, deadline=None)
def test_a_window_has_the_figures_that_the_comparer_cuts_from_records(samples: list[Sample]) -> None:
    # Against numpy's own quantiles, by which the comparer counts the same samples.
    cutter = Cutter([KEY], start_ns=START_NS, end_ns=START_NS + 10 * NS)
    ordered = sorted(samples, key=lambda s: s.sent_ns)
    cutter.add([Record(session=KEY, minute=START_NS // NS // 60, samples=Columns.of(ordered))])
    cut, found = cutter.table, figures(samples)
    assert found.get(WindowMetric.ANSWERED, 0) == cut.answered[0, 0]
    assert found.get(WindowMetric.LOST, 0) == cut.lost[0, 0]
    assert found.get(WindowMetric.LOST_OUT, 0) == cut.lost_out[0, 0]
    assert found.get(WindowMetric.LOST_BACK, 0) == cut.lost_back[0, 0]
    assert found.get(WindowMetric.NOT_JUDGED, 0) == cut.aside[0, 0]
    for name, array in ((WindowMetric.MEDIAN, cut.q50_s), (WindowMetric.P80, cut.q80_s)):
        assert (name in found) == np.isfinite(array[0, 0])
        if name in found:
            assert found[name] == pytest.approx(float(array[0, 0]), rel=3e-4)
    if WindowMetric.EXCESS in found:
        assert found[WindowMetric.EXCESS] == pytest.approx(float(cut.tail_s[0, 0]), rel=2e-3, abs=1e-6)
        assert found.get(WindowMetric.SLOW, 0) == cut.slow[0, 0]


@given(st.floats(1e-6, 3.0))
def test_a_delay_is_kept_within_a_fortieth_of_a_per_cent(value: float) -> None:
    assert short(value) == pytest.approx(value, rel=2.5e-4)


def fed(agent: str, seconds: int, fate: Fate = Fate.ANSWERED) -> tuple[FleetWindows, list[Series]]:
    keys = [s.key for s in derive_sessions(alder_home()) if s.key.agent == agent]
    made = FleetWindows("Alder House", agent, "north", frozenset(keys))
    for second in range(seconds):
        for key in keys:
            at = START_NS + second * NS
            made.observe(
                key, Sample(sent_ns=at, fate=fate, rtt_ns=4_000_000 if fate is Fate.ANSWERED else None)
            )
    return made, made.close(START_NS + seconds * NS + SETTLE_NS + 10 * NS)


def test_a_home_of_the_standard_shape_has_a_hundred_and_eight_series_and_never_more_than_its_bound() -> None:
    names: Counter[str] = Counter()
    for agent in alder_home().agents:
        made, _ = fed(agent.name, 0)
        at = START_NS + 60 * NS
        readings = [Reading(at_ns=at, agent=agent.name, name="loop_lateness_s", value=0.002)]
        if agent.name == "router":
            readings += [
                Reading(at_ns=at, agent="router", name=f"wan_{w}_bytes", value=1e9) for w in ("rx", "tx")
            ]
        made.kept([], readings)
        for key in made.keys:
            for second in range(60):
                made.observe(
                    key, Sample(sent_ns=START_NS + second * NS, fate=Fate.ANSWERED, rtt_ns=4_000_000)
                )
        names.update(one.name.removeprefix(PREFIX) for one in made.close(at + SETTLE_NS + 10 * NS))
    sessions = len(derive_sessions(alder_home()))
    assert sessions == 24
    # Four of each session that are always there, and of agents who they are and how late; own traffic once.
    assert sum(names.values()) == 4 * sessions + 2 * 4 + 2 == 106
    assert names[WindowMetric.MEDIAN] == sessions


def test_what_is_nought_is_left_out_and_what_is_lost_is_told() -> None:
    _, calm = fed("desk", 20)
    assert {s.name.removeprefix(PREFIX) for s in calm} == {
        WindowMetric.ANSWERED,
        WindowMetric.MEDIAN,
        WindowMetric.P80,
        WindowMetric.EXCESS,
    }
    _, lost = fed("desk", 20, Fate.LOST_OUT)
    told = {s.name.removeprefix(PREFIX): s.points for s in lost if dict(s.labels)["target"] == "router"}
    assert [v for _, v in told[WindowMetric.LOST]] == [10, 10]
    assert [v for _, v in told[WindowMetric.LOST_OUT]] == [10, 10]
    assert WindowMetric.LOST_BACK not in told
    # That it sent is told too: a server tells silence of the path from silence of the agent.
    assert [v for _, v in told[WindowMetric.ANSWERED]] == [0, 0]
    assert [at for at, _ in told[WindowMetric.LOST]] == [(START_NS + s * NS) // 10**6 for s in (10, 20)]


def test_a_window_waits_until_its_last_packet_is_settled_and_comes_once() -> None:
    made = FleetWindows("Alder House", "desk", "", frozenset([KEY]))
    made.observe(KEY, Sample(sent_ns=START_NS + 9 * NS, fate=Fate.ANSWERED, rtt_ns=4_000_000))
    assert made.close(START_NS + 10 * NS + SETTLE_NS - 1) == []
    assert len(made.close(START_NS + 10 * NS + SETTLE_NS)) == 1
    assert made.close(START_NS + 100 * NS) == []


def test_sessions_that_the_home_file_does_not_give_make_no_series() -> None:
    made = FleetWindows("Alder House", "desk", "", frozenset([KEY]))
    strange = SessionKey(agent="desk", target="harbour", method=Method.ECHO)
    made.observe(strange, Sample(sent_ns=START_NS, fate=Fate.LOST))
    assert made.close(START_NS + 60 * NS) == []


def test_who_stamps_and_the_region_are_told_once_a_minute() -> None:
    made, _ = fed("desk", 0)
    key = next(iter(made.keys))
    answered = Columns.of([Sample(sent_ns=START_NS, fate=Fate.ANSWERED, rtt_ns=1_000_000)])
    made.kept([Record(session=key, minute=0, samples=answered, stamps="T1 T4")], [])
    for second in range(120):
        made.observe(key, Sample(sent_ns=START_NS + second * NS, fate=Fate.ANSWERED, rtt_ns=1_000_000))
    (one,) = [s for s in made.close(START_NS + 200 * NS) if s.name == PREFIX + WindowMetric.AGENT]
    assert dict(one.labels) == {"home": "Alder House", "agent": "desk", "stamps": "kernel", "region": "north"}
    assert len(one.points) == 2


def test_of_a_modem_only_the_worst_channel_beyond_a_limit_is_told_and_of_a_good_one_nothing() -> None:
    # Downstream power is -15 to +15 dBmV (DOCSIS 3.0 PHY, table 6-19, from memory).
    def told(*dbmv: float) -> list[Series]:
        channels = tuple(
            Channel(
                direction=Direction.DOWN, channel_id=i, carrier=Carrier.SC_QAM, power_dbmv=power, locked=True
            )
            for i, power in enumerate(dbmv, 1)
        )
        made = FleetWindows("Alder House", "desk", "", frozenset())
        made.kept([], to_readings(ModemLevels(node="modem", at_ns=START_NS, channels=channels), "desk"))
        return made.close(START_NS + 60 * NS)

    assert told(1.0, -2.0, 0.5) == []
    found = {dict(s.labels)["reading"]: s.points for s in told(1.0, -19.0, -17.5)}
    at_ms = START_NS // 10**6
    assert found == {
        "levels/modem/down-2/power_dbmv": ((at_ms, -19.0),),
        "levels/modem/down-2/carrier": ((at_ms, 0.0),),
    }
