"""Fault words are read as a person means them, and refused with the word that does not fit."""

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.lab.links.fault_words import (
    FaultWordsError,
    effect_words,
    fault_of_words,
    parse_effect,
    parse_fault,
)
from whichhop.lab.scenario import Effect, FaultWay


@pytest.mark.parametrize(
    ("text", "effect"),
    [
        ("delay 50ms jitter 20ms", Effect(delay_s=0.05, jitter_s=0.02)),
        ("loss 5%", Effect(loss_ratio=0.05)),
        ("loss 0.05 up", Effect(loss_ratio=0.05, way=FaultWay.UP)),
        ("burst 0.02 0.25", Effect(burst=(0.02, 0.25))),
        ("rate 5mbps down", Effect(rate_bps=5_000_000, way=FaultWay.DOWN)),
        ("Outage", Effect(outage=True)),
        ("up delay 1.5s", Effect(delay_s=1.5, way=FaultWay.UP)),
        ("contention 30% duplicate 2%", Effect(contention_ratio=0.3, duplicate_ratio=0.02)),
    ],
)
def test_words_mean_what_a_person_would_think(text: str, effect: Effect) -> None:
    assert parse_effect(text) == effect


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("", "no fault is named"),
        ("up", "no fault is named"),
        ("slow 5%", "'slow'"),
        ("delay", "a value is missing"),
        ("delay 50", "unit of time"),
        ("delay 2min", "unit of time"),
        ("delay 300s", "longer than 60 s"),
        ("delay fast", "'fast' is not a number"),
        ("loss 150%", "more than everything"),
        ("loss 5", "more than everything"),
        ("loss 5ms", "must be a share"),
        ("rate 5", "unit of rate"),
        ("rate 0mbps", "passes nothing"),
        ("rate 1e999mbps", "beyond any link"),
        ("delay 1e999s", "longer than 60 s"),
        ("burst 0.1", "a value is missing"),
        ("burst 0.1 0", "never ends"),
        ("delay 5ms delay 6ms", "twice"),
        ("loss 5% up down", "contradicts"),
    ],
)
def test_words_that_do_not_fit_are_named_in_one_line(text: str, named: str) -> None:
    with pytest.raises(FaultWordsError, match=named) as caught:
        parse_effect(text)
    assert "\n" not in str(caught.value)


def test_an_element_with_a_colon_keeps_it() -> None:
    assert parse_fault("host:desk: outage") == ("host:desk", Effect(outage=True))


@pytest.mark.parametrize("text", ["desk/attic", ":loss 5%", " : loss 5%"])
def test_a_fault_without_an_element_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(FaultWordsError, match="ELEMENT:EFFECT"):
        parse_fault(text)


_times = st.integers(0, 60_000_000).map(lambda us: us / 1e6)
_shares = st.integers(0, 1_000_000).map(lambda n: n / 1e6)
_effects = st.builds(
    Effect,
    delay_s=_times,
    jitter_s=_times,
    loss_ratio=_shares,
    burst=st.none() | st.tuples(_shares, st.integers(1, 1000).map(lambda n: n / 1000)),
    reorder_ratio=_shares,
    duplicate_ratio=_shares,
    contention_ratio=_shares,
    rate_bps=st.none() | st.integers(8_000, 10**10),
    outage=st.booleans(),
    scan=st.none() | st.integers(1, 29).map(lambda n: (30.0, float(n))),
    doze_s=_times,
    broken_pair=st.booleans(),
    way=st.sampled_from(FaultWay),
)


@given(_effects)
def test_every_effect_said_in_words_is_read_back(effect: Effect) -> None:
    words = effect_words(effect)
    if words in ("nothing", "up", "down"):
        return
    read = parse_effect(words)
    assert read.delay_s == pytest.approx(effect.delay_s, rel=1e-9)
    assert read.jitter_s == pytest.approx(effect.jitter_s, rel=1e-9)
    assert read.loss_ratio == pytest.approx(effect.loss_ratio, rel=1e-9)
    assert read.reorder_ratio == pytest.approx(effect.reorder_ratio, rel=1e-9)
    assert read.duplicate_ratio == pytest.approx(effect.duplicate_ratio, rel=1e-9)
    assert read.contention_ratio == pytest.approx(effect.contention_ratio, rel=1e-9)
    assert read.burst == (None if effect.burst is None else pytest.approx(effect.burst, rel=1e-9))
    assert read.doze_s == pytest.approx(effect.doze_s, rel=1e-9)
    rest = (effect.rate_bps, effect.outage, effect.way, effect.scan, effect.broken_pair)
    assert (read.rate_bps, read.outage, read.way, read.scan, read.broken_pair) == rest


@given(st.text(max_size=60))
def test_any_text_is_read_or_refused_never_worse(text: str) -> None:
    with contextlib.suppress(FaultWordsError):
        assert effect_words(parse_effect(text))


@pytest.mark.parametrize(
    ("typed", "element"),
    [
        ("desk/attic loss 5%", "desk/attic"),
        ("desk/attic:loss 5%", "desk/attic"),
        ("host:desk loss 5%", "host:desk"),
        ("host:desk:loss 5%", "host:desk"),
    ],
)
def test_a_fault_is_understood_in_the_running_home_as_on_the_command_line(typed: str, element: str) -> None:
    assert fault_of_words(typed.split()) == (element, parse_effect("loss 5%"))


def test_what_is_no_fault_either_way_is_told_once() -> None:
    with pytest.raises(FaultWordsError, match="'5' is more than everything"):
        fault_of_words(["desk/attic", "loss", "5"])
