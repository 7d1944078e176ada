"""Admission is for allowed networks only, and nobody more often than the rate allows."""

from ipaddress import ip_network

from hypothesis import given
from hypothesis import strategies as st

from whichhop.model.units import NS_PER_S, MonoNs
from whichhop.probes.admission import FORGED_RATE_PER_S, Admission, Turned

HOME = (ip_network("192.0.2.0/24"), ip_network("2001:db8:1::/48"))


def test_only_allowed_networks_pass() -> None:
    admission = Admission(HOME)
    assert admission.turned("192.0.2.20", 40_000, MonoNs(0)) is None
    assert admission.turned("2001:db8:1::20", 40_000, MonoNs(0)) is None
    for stranger in ("198.51.100.7", "2001:db8:2::1", "not an address"):
        assert admission.turned(stranger, 40_000, MonoNs(0)) is Turned.NOT_ALLOWED
        assert admission.turned(stranger, 40_000, MonoNs(NS_PER_S)) is Turned.NOT_ALLOWED


def test_a_link_local_source_is_judged_without_its_zone() -> None:
    admission = Admission([ip_network("fe80::/10")])
    assert admission.turned("fe80::1%eth0", 40_000, MonoNs(0)) is None


def test_a_source_over_its_rate_waits_and_others_do_not_suffer() -> None:
    admission = Admission(HOME, rate_per_s=10, burst=2)
    assert [admission.turned("192.0.2.20", 40_000, MonoNs(0)) for _ in range(3)] == [
        None,
        None,
        Turned.RATE_LIMITED,
    ]
    assert admission.turned("192.0.2.21", 40_000, MonoNs(0)) is None
    assert admission.turned("192.0.2.20", 40_000, MonoNs(NS_PER_S // 10)) is None
    assert admission.turned("192.0.2.20", 40_000, MonoNs(NS_PER_S // 10)) is Turned.RATE_LIMITED


@given(st.lists(st.integers(0, NS_PER_S // 5), min_size=1, max_size=300))
def test_over_any_stretch_no_more_pass_than_burst_and_rate_allow(gaps: list[int]) -> None:
    admission = Admission(HOME, rate_per_s=20, burst=5)
    now, passed = 0, 0
    for gap in gaps:
        now += gap
        passed += admission.turned("192.0.2.20", 40_000, MonoNs(now)) is None
    assert passed <= 5 + 20 * now / NS_PER_S + 1e-6


def test_memory_stays_bounded_when_sources_are_made_up() -> None:
    admission = Admission(HOME, sources_most=8)
    for i in range(1000):
        admission.turned(f"2001:db8:1::{i:x}", 40_000, MonoNs(i))
    assert len(admission._sources) <= 8


def test_ports_where_services_listen_get_no_answer() -> None:
    admission = Admission(HOME, services=[9862])
    admission.reserve(5000)
    for port in (0, 7, 19, 53, 862, 1023, 5000, 9862):
        assert admission.turned("192.0.2.20", port, MonoNs(0)) is Turned.SERVICE_PORT
    assert admission.turned("192.0.2.20", 1024, MonoNs(0)) is None


def test_our_own_address_is_not_answered_over_the_network_but_on_loopback() -> None:
    assert Admission(HOME, own="192.0.2.1").turned("192.0.2.1", 40_000, MonoNs(0)) is Turned.OWN_ADDRESS
    loop = Admission([ip_network("127.0.0.0/8")], own="127.0.0.1")
    assert loop.turned("127.0.0.1", 40_000, MonoNs(0)) is None


def test_a_changed_home_file_lets_in_whom_it_names_now_and_nobody_else() -> None:
    admission = Admission(HOME)
    assert admission.turned("198.51.100.7", 40_000, MonoNs(0)) is Turned.NOT_ALLOWED
    assert admission.turned("192.0.2.20", 40_000, MonoNs(0)) is None
    admission.allow([ip_network("198.51.100.7")])
    assert admission.turned("198.51.100.7", 40_000, MonoNs(1)) is None
    assert admission.turned("192.0.2.20", 40_000, MonoNs(1)) is Turned.NOT_ALLOWED


def test_strangers_are_told_so_often_in_all() -> None:
    admission = Admission(HOME)
    told = sum(admission.may_tell(MonoNs(n * NS_PER_S // 1000)) for n in range(5000))
    assert told <= 100 + 5 * 100


def test_what_turns_out_to_be_forged_costs_its_claimed_source_nothing_up_to_a_bound() -> None:
    gate = Admission([ip_network("192.0.2.0/24")], rate_per_s=1e-3, burst=10)
    for _ in range(int(FORGED_RATE_PER_S)):
        assert gate.turned("192.0.2.7", 40_000, MonoNs(0)) is None
        gate.forged("192.0.2.7", MonoNs(0))
    # From here on a flood is stopped unread again.
    for _ in range(10):
        assert gate.turned("192.0.2.7", 40_000, MonoNs(0)) is None
        gate.forged("192.0.2.7", MonoNs(0))
    assert gate.turned("192.0.2.7", 40_000, MonoNs(0)) is Turned.RATE_LIMITED
    # Nobody gets more than a rest gives, and a stranger nothing.
    other = Admission([ip_network("192.0.2.0/24")], rate_per_s=1e-3, burst=10)
    for source in ("192.0.2.8", "203.0.113.9"):
        other.turned(source, 40_000, MonoNs(0))
        for _ in range(50):
            other.forged(source, MonoNs(0))
    assert sum(other.turned("192.0.2.8", 40_000, MonoNs(0)) is None for _ in range(50)) == 10
    assert other.turned("203.0.113.9", 40_000, MonoNs(0)) is Turned.NOT_ALLOWED
