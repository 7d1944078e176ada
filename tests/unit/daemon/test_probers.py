"""Each target is asked in the dialect it speaks, by as few probers as there are dialects."""

from support.homes import alder
from whichhop.daemon.probers import ProberMaker
from whichhop.model import Home, Method, call_sessions, derive_sessions
from whichhop.net.clock import SystemClock
from whichhop.probes.kinds.dns_lookup import DnsLookupProber
from whichhop.probes.kinds.icmp_echo import EchoProber
from whichhop.probes.kinds.stamp_sender import StampProber
from whichhop.probes.kinds.tcp_connect import TcpConnectProber
from whichhop.wire.ntp64 import estimate_error


def maker(home: Home) -> ProberMaker:
    return ProberMaker(
        home,
        lambda key, sample: None,
        SystemClock(),
        lambda: estimate_error(None, synced=False),
        bytes(32),
    )


def test_own_agents_are_asked_with_the_key_and_foreign_reflectors_without() -> None:
    home = alder()
    made = maker(home)
    assert made.signs(home.nodes["attic"])
    assert not made.signs(home.nodes["harbour"])
    owned = alder("stamp: true}}", "stamp: true, clients: [192.0.2.0/24]}}")
    assert maker(owned).signs(owned.nodes["harbour"])
    opened = alder("targets:", "stamp: {authenticated: false}\ntargets:")
    assert not maker(opened).signs(opened.nodes["attic"])


def test_only_the_methods_that_the_sessions_need_are_made() -> None:
    home = alder()
    sessions = [s for s in derive_sessions(home) if s.key.agent == "desk"]
    assert set(maker(home).probers(sessions)) == {Method.ECHO, Method.STAMP}
    assert set(maker(home).probers(call_sessions(home))) == {Method.CALL}
    assert maker(home).probers([]) == {}


def test_every_method_gets_its_kind_of_prober_and_a_dialect_is_made_once() -> None:
    home = alder(
        "  peers: {harbour: {address: 203.0.113.7, stamp: true}}",
        "  peers:\n    harbour: {address: 203.0.113.7, stamp: true}\n"
        "    pier: {address: 203.0.113.8, tcp_port: 443}\n"
        "  resolvers: {names: 198.51.100.53}\n  lookup: www.example.org",
    )
    made = maker(home)
    one = made._one
    assert isinstance(one(Method.ECHO, "router"), EchoProber)
    assert isinstance(one(Method.TCP, "pier"), TcpConnectProber)
    assert isinstance(one(Method.LOOKUP, "names"), DnsLookupProber)
    attic, study, harbour = (one(Method.STAMP, name) for name in ("attic", "study", "harbour"))
    assert isinstance(attic, StampProber)
    assert attic is study
    assert attic is not harbour
    call = one(Method.CALL, "harbour")
    assert isinstance(call, StampProber)
    assert call is not harbour
    assert call.method is Method.CALL
    assert isinstance(one(Method.CALL, "provider-edge"), EchoProber)
