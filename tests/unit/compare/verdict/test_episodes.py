import numpy as np
from msgspec.structs import replace

from whichhop.compare.inference.settings import Settings
from whichhop.compare.verdict.episodes import Span, merged, noticed, spans, states

NO = np.zeros(20, dtype=bool)


def curve(*values, nothing=0.0):
    return np.array(values), np.full(len(values), nothing), np.zeros(len(values), dtype=bool)


def test_two_sure_ticks_open_and_three_unsure_ones_close():
    found = spans(*curve(0, 0.6, 0.96, 0.97, 0.9, 0.4, 0.3, 0.2, 0), Settings())
    assert found == [Span(first=1, end=5, detected=3)]


def test_one_sure_tick_is_not_enough():
    assert spans(*curve(0, 0.99, 0.4, 0.99, 0.2), Settings()) == []


def test_an_episode_is_one_when_it_is_hardly_doubted_that_anything_is_at_fault() -> None:
    # Seen: two bad moments of a radio, two minutes apart, at 93 % for the hop and 7 % for nothing at all.
    (doubted,) = spans(*curve(0.93, 0.93, 0.93, nothing=0.07), Settings())
    assert not doubted.sure
    # Which of two hops it is may be as open: that is told, with its share.
    assert spans(*curve(0.93, 0.93, 0.93, nothing=0.001), Settings()) == [Span(first=0, end=3, detected=1)]
    value, _, outage = curve(0.93, 0.93, 0.93)
    doubt = np.array([0.07, 0.07, 0.01])
    assert spans(value, doubt, outage, Settings())[0].sure
    assert noticed(value, value, doubt, outage, Settings()).tolist() == [False, False, True]


def test_a_doubted_spell_may_be_the_beginning_of_one_that_is_not() -> None:
    # What comes each minute is doubted the first time only.
    doubted, plain = Span(first=0, end=3, detected=1, sure=False), Span(first=6, end=9, detected=7)
    assert merged([doubted, plain], 6.0) == [Span(first=0, end=9, detected=7)]
    assert merged([plain, replace(doubted, first=12, end=14)], 6.0) == [Span(first=6, end=14, detected=7)]
    assert not merged([doubted, replace(doubted, first=6, end=9)], 6.0)[0].sure


def test_a_whole_outage_opens_at_once():
    value, nothing, outage = curve(0, 0.995, 0.2, 0.1, 0.1)
    outage[1] = True
    assert spans(value, nothing, outage, Settings()) == [Span(first=1, end=2, detected=1)]


def test_live_use_notices_when_the_last_tick_and_in_its_light_the_one_before_are_sure():
    outage = np.zeros(5, dtype=bool)
    forward, soon = np.array([0, 0.5, 0.95, 0.95, 0.2]), np.array([0, 0.93, 0.97, 0.6, 0.2])
    assert noticed(forward, soon, np.zeros(5), outage, Settings()).tolist() == [
        False,
        False,
        True,
        True,
        False,
    ]
    outage[1] = True
    sure = np.array([0, 0.995, 0.2, 0.2, 0.2])
    assert noticed(sure, soon, np.zeros(5), outage, Settings()).tolist() == [False, True, False, False, False]


def test_an_episode_may_last_to_the_end():
    assert spans(*curve(0, 0.96, 0.96, 0.96), Settings()) == [Span(first=1, end=4, detected=2)]


def test_a_short_dip_does_not_close():
    found = spans(*curve(0.96, 0.96, 0.4, 0.4, 0.96, 0.96), Settings())
    assert found == [Span(first=0, end=6, detected=1)]


def test_near_episodes_are_one():
    parts = [Span(first=0, end=5, detected=1), Span(first=9, end=12, detected=10)]
    assert merged(parts, 6) == [Span(first=0, end=12, detected=1)]
    assert merged(parts, 4) == parts


def test_a_state_of_hours_with_quiet_minutes_in_it_is_one_episode():
    # Three hours bad, five minutes' lull, another hour; then an hour of quiet.
    found = merged([span(0, 1080), span(1110, 1470), span(1830, 1860)], 6.0)
    assert [(s.first, s.end) for s in found] == [(0, 1470), (1830, 1860)]


def test_short_faults_five_minutes_apart_stay_two():
    found = merged([span(0, 12), span(42, 54)], 6.0)
    assert len(found) == 2


def span(first, end):
    return Span(first=first, end=end, detected=first)


def test_a_hop_that_stalls_half_a_minute_in_every_three_is_one_state():
    # Stalls of 7 to 60 s, seen in measured traces of radios, minutes apart for most of an hour.
    stalls = [span(18 * k, 18 * k + 3) for k in range(15)]
    assert states(stalls, 6.0) == [Span(first=0, end=18 * 14 + 3, detected=0)]


def test_two_faults_minutes_apart_and_what_returns_after_ten_quiet_ones_are_no_state():
    assert len(states([span(0, 12), span(42, 54)], 6.0)) == 2
    assert len(states([span(0, 12), span(42, 54), span(120, 130)], 6.0)) == 3
