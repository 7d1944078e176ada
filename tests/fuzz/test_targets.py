"""Each fuzz target for a moment: sound examples with damage that has ended readers before."""

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fuzz.allowed import complained
from fuzz.targets import TARGETS, seeds_of
from whichhop.errors import WhichhopError

NASTY = (
    b"1e999",
    b"-1e999",
    b"1e-999",
    b"1e9999999999999999999",
    b"NaN",
    b"Infinity",
    b"-5",
    b"-0.0",
    b"9" * 400,
    b"9" * 5000,
    b"1" * 19,
    b"18446744073709551616",
    b"\\ud800",
    b"\xed\xa0\x80",
    b"\xff",
    b"\0",
    b"\x1b]0;x\x07",
    b"\xc2\x9b2J",
    b"\xe2\x80\xae",
    b"null",
    b"true",
    b"{}",
    b"[]",
    b'""',
    b"[" * 2000,
    b'{"a":' * 2000,
    b"<table>" * 300,
    b"<a " * 3000,
    b"&#1114112;",
    b"\n",
    b"\xd9\xa3",  # ARABIC-INDIC DIGIT THREE, which str.isdigit takes
    b"\xc2\xb2",  # SUPERSCRIPT TWO, which int() does not
    b"\xe4\xb8\x89",
    b" ",
    b"A" * 3000,
)

COSTLY = {"collected", "gathered", "bulletin_line", "store_file", "api_request", "home_file"}
"""Five to ten milliseconds a call, so fewer of them."""


@st.composite
def damaged(draw: st.DrawFn, seeds: list[bytes]) -> bytes:
    """A sound example after a few cuts and grafts, or octets of no form at all."""
    if draw(st.integers(0, 9)) == 0:
        return draw(st.binary(max_size=200))
    octets = draw(st.sampled_from(seeds))
    for _ in range(draw(st.integers(0, 3))):
        begin = draw(st.integers(0, len(octets)))
        end = min(len(octets), begin + draw(st.sampled_from((0, 0, 1, 2, 4, 8, 30, 200))))
        graft = draw(st.sampled_from(NASTY) | st.binary(max_size=4) | st.just(octets[begin:end] * 2))
        octets = octets[:begin] + graft + octets[end:]
    return octets


def run(name: str, octets: bytes) -> None:
    try:
        TARGETS[name](octets)
    except WhichhopError as trouble:
        complained(trouble)


@pytest.mark.parametrize("name", sorted(TARGETS))
def test_sound_examples_are_taken(name: str) -> None:
    assert seeds_of(name)
    for octets in seeds_of(name):
        run(name, octets)


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(TARGETS))
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(data=st.data())
def test_damage_ends_in_a_value_or_a_line(name: str, data: st.DataObject) -> None:
    run(name, data.draw(damaged(seeds_of(name))))


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(TARGETS))
def test_every_graft_in_place_of_every_word(name: str) -> None:
    """Not left to luck: each nasty piece where each word or number of the first sound example stands."""
    import re

    octets = seeds_of(name)[0]
    words = [m.span() for m in re.finditer(rb"[-+.\w]+", octets[:1500])]
    step = max(1, len(words) // (5 if name in COSTLY else 12))
    for begin, end in words[::step]:
        for graft in NASTY:
            run(name, octets[:begin] + graft + octets[end:])
