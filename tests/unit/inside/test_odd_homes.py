"""Hops that their author did not imagine: the cause is named or nothing is, and never another one."""

from collections.abc import Callable

import numpy as np
import pytest
from msgspec.structs import fields

from inner_causes.drawn_hop import Act, Drawn, busy, doze, flap, scan, seen_of, weak
from whichhop.inside.answer import answer_of
from whichhop.inside.seen import Sort
from whichhop.model.hop_facts import HopFacts
from whichhop.model.inner_cause import InnerCause as Inner

SEED = 1_017
"""Of the development seeds."""


def named(
    acts: tuple[Act, ...], seconds: float = 600.0, *, sort: Sort = Sort.RADIO, facts: bool = False,
    sessions: int | None = 4,
) -> Inner | None:  # fmt: skip
    found = answer_of(*seen_of(sort, acts, seconds, SEED, facts=facts, sessions=sessions)).named
    return None if found is None else found.cause


def says(**facts: float) -> Act:
    """What counters say, in place of what fits the cause."""

    def act(hop: Drawn) -> None:
        hop.facts = {f.name: facts.get(f.name) for f in fields(HopFacts) if f.name[:5] in ("radio", "port_")}

    return act


def in_step(hz: float, part: float = 0.45) -> Act:
    def act(hop: Drawn) -> None:
        hit = (hop.sent * hz) % 1.0 < part
        hop.wait(hit, hop.rng.uniform(0.012, 0.04, int(hit.sum())))

    return act


def at_times(inner: Act, when: Callable[[np.ndarray], np.ndarray]) -> Act:
    """A cause that is there at some moments only."""

    def act(hop: Drawn) -> None:
        before = hop.delay.copy(), hop.lost.copy()
        inner(hop)
        off = ~when(hop.sent)
        hop.delay[off], hop.lost[off] = before[0][off], before[1][off]

    return act


def beacons(every_s: float) -> Act:
    """A near end that dozes, with another beacon interval than 100 time units (IEEE 802.11: any to 65535)."""

    def act(hop: Drawn) -> None:
        asleep = np.diff(hop.sent, prepend=-1.0) > 0.1
        hop.wait(asleep, (every_s - hop.sent % every_s)[asleep], there=0.0)

    return act


def brief(hop: Drawn) -> None:
    """A neighbour's scan: some ms of probe requests each half minute."""
    on = hop.sent % 30.0 < 1.5
    hop.wait(on, hop.rng.uniform(0.002, 0.008, int(on.sum())))


@pytest.mark.parametrize("hz", [50.0, 60.0])
def test_an_oven_is_recognised_on_either_mains(hz: float) -> None:
    assert named((in_step(hz),)) is Inner.MAINS_INTERFERENCE
    assert named((in_step(2 * hz, 0.3),), sort=Sort.POWER_LINE) is Inner.MAINS_NOISE


def test_one_session_tells_the_mains_too() -> None:
    # A strict packet a second of one agent would meet 50 Hz at one place for ever.
    assert named((in_step(50.0),), sessions=1) is Inner.MAINS_INTERFERENCE


def test_an_oven_that_thaws_is_mains_or_periodic() -> None:
    thaws = at_times(in_step(50.0), lambda at: at % 30.0 < 12.0)
    assert named((thaws,), 900.0) in {None, Inner.MAINS_INTERFERENCE, Inner.PERIODIC_INTERFERENCE}


@pytest.mark.parametrize("signal", [0.0, 47.0, -128.0])
def test_a_signal_that_is_none_says_nothing(signal: float) -> None:
    with_it = answer_of(*seen_of(Sort.RADIO, (weak, says(radio_signal_dbm=signal)), 600.0, SEED, facts=True))
    without = answer_of(*seen_of(Sort.RADIO, (weak, says()), 600.0, SEED, facts=False))
    assert [r.cause for r in with_it.reasons] == [r.cause for r in without.reasons]
    assert [r.probability for r in with_it.reasons] == [r.probability for r in without.reasons]


@pytest.mark.parametrize(
    ("act", "cause", "told"),
    [
        (busy, Inner.BUSY_CHANNEL, {"radio_power_save": 1.0}),
        (flap, Inner.FLAPPING, {"radio_busy_share": 0.9, "radio_signal_dbm": -50.0}),
        (flap, Inner.FLAPPING, {"radio_signal_dbm": -80.0}),
        (doze, Inner.POWER_SAVE, {"radio_busy_share": 0.7}),
        (weak, Inner.WEAK_SIGNAL, {"radio_power_save": 1.0}),
        (weak, Inner.WEAK_SIGNAL, {"radio_signal_dbm": -50.0}),
    ],
)
def test_a_counter_against_the_shape_names_no_third_cause(
    act: Act, cause: Inner, told: dict[str, float]
) -> None:
    by_counter = {"radio_busy_share": Inner.BUSY_CHANNEL, "radio_signal_dbm": Inner.WEAK_SIGNAL}
    right = {None, cause} | {by_counter[k] for k, v in told.items() if k in by_counter and v != -50.0}
    assert named((act, says(**told)), facts=True) in right


@pytest.mark.parametrize(
    ("act", "causes"),
    [
        (at_times(weak, lambda at: at % 190 < 60), {Inner.WEAK_SIGNAL, Inner.PERIODIC_INTERFERENCE}),
        (at_times(busy, lambda at: np.sin(at / 97) + np.sin(at / 41) > 0.4), {Inner.BUSY_CHANNEL}),
        (beacons(0.2048), {Inner.POWER_SAVE}),
        (beacons(0.3 * 3), {Inner.POWER_SAVE}),
        (brief, set()),
    ],
)
def test_what_comes_and_goes_or_has_other_lengths_is_named_so_or_not_at_all(
    act: Act, causes: set[Inner]
) -> None:
    assert named((act,)) in {None, *causes}


@pytest.mark.parametrize("act", [weak, busy, doze, scan, flap])
def test_few_packets_name_nothing_wrong(act: Act) -> None:
    seconds = 60.0 if act is not scan else 430.0
    right: dict[Act, Inner] = {weak: Inner.WEAK_SIGNAL, busy: Inner.BUSY_CHANNEL, doze: Inner.POWER_SAVE,
                               scan: Inner.SCANNING, flap: Inner.FLAPPING}  # fmt: skip
    assert named((act,), seconds, sessions=1) in {None, right[act]}
    shape = seen_of(Sort.RADIO, (act,), seconds if act is scan else 45.0, SEED, facts=False, sessions=1)[
        0
    ].shape
    assert shape is not None
    assert named((busy,), 20.0, sessions=1) is None


def fading(hop: Drawn) -> None:
    """A weak signal whose margin comes and goes within seconds, down to silence: someone walks about."""
    steps = np.cumsum(hop.rng.normal(0, 1, int(hop.sent.max()) + 2))
    calm = np.convolve(steps, np.ones(25) / 25, "same")
    margin = 0.5 + 3.0 * (steps - calm)[hop.sent.astype(int)] / max((steps - calm).std(), 1e-9)
    fail = 1 / (1 + np.exp(margin))
    tries = hop.rng.geometric(np.clip(1 - fail, 0.02, 1.0))
    hop.wait(tries > 1, np.minimum(0.9e-3 * (2.0 ** np.minimum(tries, 7) - 2), 0.12)[tries > 1])
    hop.lose((tries > 7).astype(float))


def test_a_weak_signal_that_fades_to_silence_is_one_and_spells_of_silence_are_none() -> None:
    # Seen in whole homes: three of three abstained, since a deep fade looked like an outage.
    assert named((fading,), sessions=8) is Inner.WEAK_SIGNAL
    assert named((flap,)) is Inner.FLAPPING


def crowded(hop: Drawn) -> None:
    """A busy channel that loses one packet in seventy, as frames collide: few for so many that wait."""
    late = hop.rng.random(hop.sent.size) < 0.5
    hop.wait(late, hop.rng.exponential(0.03, int(late.sum())))
    hop.lose(0.016)


def test_a_busy_channel_that_loses_some_is_no_weak_signal() -> None:
    assert named((crowded,)) in {None, Inner.BUSY_CHANNEL}


def on_lowest_rates(hop: Drawn) -> None:
    """A weak signal on its lowest rates: each frame takes long, and one packet in seven is lost."""
    hop.wait(np.ones(hop.sent.size, bool), 0.006 + hop.rng.exponential(0.024, hop.sent.size))
    hop.lose(0.14)


def test_where_all_is_late_and_many_are_lost_the_signal_is_weak() -> None:
    # Seen on the emulated home: it was taken for waits behind others, who lose few.
    assert named((on_lowest_rates,)) is Inner.WEAK_SIGNAL
