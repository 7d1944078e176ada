"""The cause inside a hop: named where packets or counters show it, and not where they do not."""

import numpy as np
import pytest
from msgspec.structs import replace

from inner_causes.drawn_hop import BOTH, DRAWS, FACTS_ONLY, NONE, Act, seen_of
from whichhop.inside.answer import answer_of, over_time, weigh
from whichhop.inside.rhythm import mains_of, pauses_of, period_of, rounds_of, together
from whichhop.inside.seen import Sort
from whichhop.inside.shape import hours_of
from whichhop.inside.table import BY_SORT, ROWS
from whichhop.model.inner_cause import INNER_WORDS, InnerCause

SEED = 1_003
"""Of the development seeds; the table of all is `tests/suite/results/inner-causes.txt`."""


IN_STEP = (InnerCause.MAINS_INTERFERENCE, InnerCause.MAINS_NOISE)
"""Have a test of their own below, as does a period: drawing hours of packets costs a second."""


@pytest.mark.parametrize(
    ("sort", "cause", "act", "seconds"),
    [d for d in DRAWS if d[3] <= 1800.0 and d[1] not in IN_STEP],
)
def test_a_drawn_cause_is_named_or_nothing_is(
    sort: Sort, cause: InnerCause, act: Act, seconds: float
) -> None:
    seen, packets = seen_of(sort, (act,), seconds, SEED, facts=cause in FACTS_ONLY)
    named = answer_of(seen, packets).named
    assert named is None or named.cause is cause
    if named is not None:
        assert named.evidence, "a cause without a figure convinces nobody"


def test_an_outage_is_drawn_by_what_was_lost_and_not_by_the_few_answers() -> None:
    # Seen: bars of a millisecond of noise under "The access line is at fault", 100 % lost.
    sort, _, act, seconds = next(d for d in DRAWS if d[1] not in (*IN_STEP, *FACTS_ONLY))
    seen, packets = seen_of(sort, (act,), seconds, SEED, facts=False)
    gone = packets.sent_s > seconds / 2
    lost = np.where(gone, True, packets.lost)
    dead = replace(packets, lost=lost, excess_s=np.where(gone, np.nan, packets.excess_s))
    drawing = over_time(seen, dead)
    assert (drawing.title, drawing.y_words) == ("Packet loss over time", "%")
    assert drawing.y[-1] == 100.0
    assert over_time(seen, replace(packets, lost=np.zeros_like(packets.lost))).y_words == "ms"


def test_what_loses_more_than_it_delays_is_drawn_by_what_was_lost() -> None:
    # Seen: "Added latency over time" beside a hop that lost 6 % and delayed nothing.
    sort, _, act, seconds = next(d for d in DRAWS if d[1] not in (*IN_STEP, *FACTS_ONLY))
    seen, packets = seen_of(sort, (act,), seconds, SEED, facts=False)
    assert seen.shape is not None
    lossy = replace(seen, shape=replace(seen.shape, late=0.01, lost=0.06))
    assert over_time(lossy, packets).y_words == "%"
    slow = replace(seen, shape=replace(seen.shape, late=0.06, lost=0.01))
    assert over_time(slow, replace(packets, lost=np.zeros_like(packets.lost))).y_words == "ms"


@pytest.mark.parametrize(("sort", "act", "seconds"), NONE[:4])
def test_what_no_row_describes_is_not_named(sort: Sort, act: Act, seconds: float) -> None:
    answer = answer_of(*seen_of(sort, (act,), seconds, SEED, facts=False))
    assert answer.named is None
    assert "not determined" in answer.line


@pytest.mark.parametrize(("sort", "causes", "acts"), BOTH[1:2])
def test_of_two_causes_no_third_one_is_named(
    sort: Sort, causes: tuple[InnerCause, InnerCause], acts: tuple[Act, Act]
) -> None:
    named = answer_of(*seen_of(sort, acts, 2400.0, SEED, facts=False)).named
    assert named is None or named.cause in causes


def test_a_period_is_the_whole_cycle_and_not_a_part_of_it() -> None:
    # A scan each 60 s for two seconds, as common drivers do: 60 s, not 30 or 20.
    moments = np.concatenate([[i * 60.0 + 7.0, i * 60.0 + 8.0] for i in range(20)])
    found = period_of(moments, 1200.0)
    assert found is not None
    assert found.every_s == pytest.approx(60.0, rel=0.01)
    assert found.lasts_s == pytest.approx(2.0, abs=0.5)


def test_where_no_packet_was_slow_there_is_no_rhythm() -> None:
    """Such as a hop that is steadily a little late: the live comparer once ended by it."""
    none = np.array([])
    assert pauses_of(none) is None
    assert period_of(none, 600.0) is None
    assert together(none).size == 0


def test_chance_has_no_period() -> None:
    wrong = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        wrong += period_of(np.sort(rng.uniform(0, 1800.0, 30)), 1800.0) is not None
    assert wrong <= 6  # one in ten at the most; the comb of periods is long


@pytest.mark.parametrize("hz", [50.0, 60.0, 100.0, 120.0])
def test_hits_in_one_part_of_the_mains_cycle_are_in_step_with_it(hz: float) -> None:
    rng = np.random.default_rng(3)
    sent = np.sort(rng.uniform(0, 300.0, 3000))
    session = (np.arange(3000) % 6).astype(np.int16)
    found = mains_of(sent, (sent * hz) % 1.0 < 0.3, session)
    assert found is not None
    assert found.hz == hz
    assert found.over > 2.0


def test_every_row_says_whose_knowledge_it_is_and_what_to_do() -> None:
    assert {row.sort for row in ROWS} == set(Sort)
    assert set(INNER_WORDS) == set(InnerCause) == {row.cause for row in ROWS}
    assert all(row.source and row.acts for row in ROWS)
    for rows in BY_SORT.values():
        assert sum(row.prior for row in rows) <= 1.0


def test_probabilities_leave_room_for_what_no_row_describes() -> None:
    seen, _ = seen_of(*_first(), SEED, facts=False)
    found = weigh(seen)
    assert 0.0 < sum(p for _, p, _ in found) < 1.0


@pytest.mark.parametrize(("days", "ratio", "told"), [(4, 8.0, True), (1, 8.0, False), (4, 1.0, False)])
def test_noise_at_the_same_hours_each_day_is_an_appliance_on_the_power_line(
    days: int, ratio: float, told: bool
) -> None:
    # By hand: 1 ms added all day, `ratio` times as much from 18:00 to 23:00, a slice each ten seconds.
    hour = np.arange(days * 8640) * 24 / 8640 % 24
    added = np.where((hour >= 18) & (hour < 23), ratio * 1e-3, 1e-3)
    act = next(act for sort, act, _ in NONE if sort is Sort.RADIO)
    seen, _ = seen_of(Sort.POWER_LINE, (act,), 1200.0, SEED, facts=False)
    found = answer_of(replace(seen, hours=hours_of(hour, added, np.zeros(hour.size))))
    named = found.named is not None and found.named.cause is InnerCause.APPLIANCE_CYCLE
    assert named is told
    if told:
        # The middle of the five worst hours.
        assert "over 4 days the hours around 20:00 were 8 times" in found.reasons[0].evidence[0]


def _first() -> tuple[Sort, tuple[Act, ...], float]:
    sort, _, act, seconds = DRAWS[0]
    return sort, (act,), seconds


def test_episodes_by_the_hour_have_a_cycle_that_wanders_and_chance_has_none() -> None:
    rng = np.random.default_rng(7)
    starts = np.cumsum(2400.0 * (1 + rng.normal(0, 0.03, 12)))
    found = rounds_of([(float(s), float(s) + 600.0) for s in starts])
    assert found is not None
    assert found.every_s == pytest.approx(2400.0, rel=0.04)
    assert found.lasts_s == pytest.approx(600.0)
    by_chance = [np.cumsum(300.0 + rng.exponential(1200.0, 8)) for _ in range(300)]
    assert sum(rounds_of([(float(s), float(s) + 60.0) for s in x]) is not None for x in by_chance) <= 3
