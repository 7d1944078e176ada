"""Whatever an agent with the key asks for is within bounds, or refused in one line."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.daemon.transfer.async_line import LeaseAsk, OrderAsk, ReleaseAsk, asked_for
from whichhop.outside import INT64, OutsideError

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=10), inner, max_size=3),
    max_leaves=6,
)
KEYS = st.sampled_from(
    ["who", "seconds", "octets", "anyway", "lease", "used", "other_end", "ways", "streams", "whole", "ask"]
)


@pytest.mark.parametrize("kind", [LeaseAsk, ReleaseAsk, OrderAsk])
@given(st.dictionaries(KEYS, JSON))
def test_it_is_what_it_says_or_refused_in_one_line(kind: Any, message: dict[str, Any]) -> None:
    refusals: list[str] = []
    try:
        found = asked_for(message, kind)
    except OutsideError as refused:
        refusals.append(str(refused))
    if refusals:
        assert not {"\n", "\x1b"} & set(refusals[0])
        return
    for name in ("octets", "used"):
        value = getattr(found, name, None)
        assert value is None or 0 <= value <= INT64
    seconds = getattr(found, "seconds", None)
    assert seconds is None or (math.isfinite(seconds) and seconds > 0)


@pytest.mark.parametrize("octets", [-1, 1.5, math.inf, math.nan, 10**400, "9", None, True])
def test_no_odd_number_of_octets_reaches_the_budget(octets: object) -> None:
    with pytest.raises(OutsideError):
        asked_for({"ask": "lease", "who": "x", "seconds": 5, "octets": octets}, LeaseAsk)


def test_what_the_command_line_asks_for_is_understood() -> None:
    order = {"ask": "order", "other_end": "attic", "ways": ["out"], "octets": None, "seconds": None}
    found = asked_for({**order, "streams": 1, "anyway": False, "whole": False}, OrderAsk)
    assert (found.other_end, found.ways, found.octets, found.seconds) == ("attic", ("out",), None, None)
