"""The table that makes every prober: a row makes a kind, and what no row knows is an error."""

import pytest
from msgspec.structs import replace

from whichhop.model import Method
from whichhop.net.clock import SystemClock
from whichhop.probes.table import PROBERS, Needs, make_prober
from whichhop.wire.ntp64 import estimate_error

NEEDS = Needs(
    method=Method.STAMP,
    sink=lambda key, sample: None,
    clock=SystemClock(),
    estimate=lambda: estimate_error(None, synced=False),
    first_ssid=7,
    cookie=bytes(8),
    stamp_port=8862,
    stamp_key=None,
    tcp_port=443,
    lookup_name="www.example.org",
    prompt=True,
)


@pytest.mark.parametrize("asked", list(PROBERS))
def test_every_row_makes_a_prober_of_its_method(asked: Method) -> None:
    assert make_prober(asked, replace(NEEDS, method=asked)).method is asked


@pytest.mark.parametrize("asked", sorted(set(Method) - set(PROBERS)))
def test_a_method_that_no_row_knows_is_an_error_and_no_echo(asked: Method) -> None:
    with pytest.raises(ValueError, match=f"no prober asks by {asked}; probes/table.py knows"):
        make_prober(asked, NEEDS)


def test_a_fact_that_is_missing_is_an_error_and_no_echo() -> None:
    with pytest.raises(ValueError, match="needs a port"):
        make_prober(Method.TCP, replace(NEEDS, tcp_port=None))
    with pytest.raises(ValueError, match="needs a name"):
        make_prober(Method.LOOKUP, replace(NEEDS, lookup_name=None))
