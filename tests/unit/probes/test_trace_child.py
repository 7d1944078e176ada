"""The ladder's packets octet by octet: one flow for all of them, and answers matched to their probe."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet import ICMP, IP
from scapy.layers.inet6 import ICMPv6DestUnreach, ICMPv6TimeExceeded, IPv6

from whichhop.probes.trace_child import Flow

FLOWS = [Flow(target="203.0.113.2", source_port=33434), Flow(target="2001:db8:2::2", source_port=33434)]
BOTH = pytest.mark.parametrize("flow", FLOWS, ids=["IPv4", "IPv6"])
NUMBERS = st.integers(1, 0xFFFF)


def probe(flow: Flow, ttl: int, number: int) -> bytes:
    packet = flow.packet(ttl, number)
    packet.src = "192.0.2.20" if flow.v4 else "2001:db8::20"
    return bytes(packet)


def error(flow: Flow, source: str, quoted: bytes, *, reached: bool = False) -> "IP | IPv6":
    """An ICMP error as a router or the target writes it, read anew from octets."""
    if flow.v4:
        kind = ICMP(type=3, code=3) if reached else ICMP(type=11, code=0)
        return IP(bytes(IP(src=source, dst="192.0.2.20") / kind / quoted))
    kind6 = ICMPv6DestUnreach(code=4) if reached else ICMPv6TimeExceeded(code=0)
    return IPv6(bytes(IPv6(src=source, dst="2001:db8::20") / kind6 / quoted))


@BOTH
@given(one=NUMBERS, other=NUMBERS, ttl=st.integers(1, 255))
def test_all_probes_look_alike_to_a_router_that_shares_load(
    flow: Flow, one: int, other: int, ttl: int
) -> None:
    first, second = probe(flow, 1, one), probe(flow, ttl, other)
    header = 20 if flow.v4 else 40
    # UDP's 8 octets: ports, length and checksum (RFC 768) are the same for every probe
    assert first[header : header + 8] == second[header : header + 8]
    if flow.v4:
        assert first[:2] == second[:2]
        assert first[9] == second[9]
        assert first[12:20] == second[12:20]
    else:
        # version, traffic class and flow label (RFC 6437), next header, addresses
        assert first[:4] == second[:4]
        assert first[6] == second[6]
        assert first[8:40] == second[8:40]


@BOTH
@given(number=NUMBERS)
def test_a_routers_error_names_the_probe_it_quotes(flow: Flow, number: int) -> None:
    router = "198.51.100.1" if flow.v4 else "2001:db8:1::1"
    assert flow.read(error(flow, router, probe(flow, 1, number))) == (number, router, False)


@given(number=NUMBERS)
def test_an_old_router_that_quotes_eight_octets_is_understood(number: int) -> None:
    # RFC 792: the IP header and 64 bits of what follows
    flow = FLOWS[0]
    assert flow.read(error(flow, "198.51.100.1", probe(flow, 1, number)[:28])) == (
        number,
        "198.51.100.1",
        False,
    )


@BOTH
def test_only_the_target_itself_ends_the_ladder(flow: Flow) -> None:
    router = "198.51.100.1" if flow.v4 else "2001:db8:1::1"
    quoted = probe(flow, 3, 9)
    assert flow.read(error(flow, flow.target, quoted, reached=True)) == (9, flow.target, True)
    assert flow.read(error(flow, router, quoted, reached=True)) == (9, router, False)
    assert flow.read(error(flow, flow.target, quoted)) == (9, flow.target, False)


@BOTH
def test_errors_about_others_packets_and_other_traffic_are_ignored(flow: Flow) -> None:
    other = Flow(target=flow.target, source_port=40000)
    assert flow.read(error(flow, flow.target, probe(other, 1, 9))) is None
    elsewhere = Flow(target="203.0.113.3" if flow.v4 else "2001:db8:2::3", source_port=33434)
    assert flow.read(error(flow, flow.target, probe(elsewhere, 1, 9))) is None
    assert flow.read(flow.packet(1, 9)) is None
