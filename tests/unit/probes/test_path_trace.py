"""What the child prints is read back whole, and anything else is refused with the text."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec import to_builtins

from whichhop.errors import DataError
from whichhop.printable import shown
from whichhop.probes.path_trace import read_route
from whichhop.wire.trace import Hop, Route

HOPS = st.builds(
    Hop,
    ttl=st.integers(1, 20),
    addresses=st.lists(st.ip_addresses().map(str), max_size=3).map(tuple),
    asked=st.integers(0, 3),
    answered=st.integers(0, 3),
    best_rtt_ns=st.none() | st.integers(0, 10**10),
    final=st.booleans(),
)
ROUTES = st.builds(Route, target=st.ip_addresses().map(str), hops=st.lists(HOPS, max_size=5).map(tuple))


@given(ROUTES)
def test_a_route_comes_back_as_it_was_printed(route: Route) -> None:
    assert read_route(json.dumps(to_builtins(route))) == route


@pytest.mark.parametrize("line", ["", "Traceback", "[]", '{"hops": [{}]}', '{"target": "x", "hops": [3]}'])
def test_what_is_no_route_is_refused_with_its_text(line: str) -> None:
    with pytest.raises(DataError, match=r"route discovery.*report this") as refused:
        read_route(line)
    assert shown(line) in str(refused.value)
