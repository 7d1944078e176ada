"""The gate answers allowed networks only, and nobody more often than the rate allows."""

from ipaddress import ip_network

from hypothesis import given
from hypothesis import strategies as st

from whichhop.model.units import NS_PER_S, MonoNs
from whichhop.probes.gate import Gate, Turned

HOME = (ip_network("192.0.2.0/24"), ip_network("2001:db8:1::/48"))


def test_only_allowed_networks_pass() -> None:
    gate = Gate(HOME)
    assert gate.turned("192.0.2.20", MonoNs(0)) is None
    assert gate.turned("2001:db8:1::20", MonoNs(0)) is None
    for stranger in ("198.51.100.7", "2001:db8:2::1", "not an address"):
        assert gate.turned(stranger, MonoNs(0)) is Turned.NOT_ALLOWED
        assert gate.turned(stranger, MonoNs(NS_PER_S)) is Turned.NOT_ALLOWED


def test_a_link_local_source_is_judged_without_its_zone() -> None:
    gate = Gate([ip_network("fe80::/10")])
    assert gate.turned("fe80::1%eth0", MonoNs(0)) is None


def test_a_source_over_its_rate_waits_and_others_do_not_suffer() -> None:
    gate = Gate(HOME, rate_per_s=10, burst=2)
    assert [gate.turned("192.0.2.20", MonoNs(0)) for _ in range(3)] == [None, None, Turned.RATE_LIMITED]
    assert gate.turned("192.0.2.21", MonoNs(0)) is None
    assert gate.turned("192.0.2.20", MonoNs(NS_PER_S // 10)) is None
    assert gate.turned("192.0.2.20", MonoNs(NS_PER_S // 10)) is Turned.RATE_LIMITED


@given(st.lists(st.integers(0, NS_PER_S // 5), min_size=1, max_size=300))
def test_over_any_stretch_no_more_pass_than_burst_and_rate_allow(gaps: list[int]) -> None:
    gate = Gate(HOME, rate_per_s=20, burst=5)
    now, passed = 0, 0
    for gap in gaps:
        now += gap
        passed += gate.turned("192.0.2.20", MonoNs(now)) is None
    assert passed <= 5 + 20 * now / NS_PER_S + 1e-6


def test_memory_stays_bounded_when_sources_are_made_up() -> None:
    gate = Gate(HOME, sources_most=8)
    for i in range(1000):
        gate.turned(f"2001:db8:1::{i:x}", MonoNs(i))
    assert len(gate._sources) <= 8
