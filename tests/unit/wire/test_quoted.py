"""Packets as ICMP errors quote them, built by scapy."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet import ICMP, IP, TCP, UDP
from scapy.layers.inet6 import (
    ICMPv6EchoRequest,
    IPv6,
    IPv6ExtHdrDestOpt,
    IPv6ExtHdrFragment,
    IPv6ExtHdrHopByHop,
)

from whichhop.wire.quoted import Quoted, Refusal, read_quoted

A, B = "192.0.2.20", "198.51.100.7"
A6, B6 = "2001:db8::20", "2001:db8:1::7"


def test_ports_of_udp_are_read_from_the_first_eight_octets() -> None:
    packet = bytes(IP(src=A, dst=B, ttl=1, tos=0xB8) / UDP(sport=40000, dport=862) / b"rest of it")
    whole = read_quoted(packet)
    assert whole == Quoted(
        source=A,
        target=B,
        protocol=17,
        ttl=1,
        dscp=46,
        sport=40000,
        dport=862,
        payload=b"rest of it",
    )
    least = read_quoted(packet[:28])  # RFC 792: header and 64 bits
    assert isinstance(least, Quoted)
    assert (least.sport, least.dport, least.payload) == (40000, 862, b"")


def test_numbers_of_an_echo_are_read() -> None:
    got = read_quoted(bytes(IP(src=A, dst=B, options=b"\x01" * 8) / ICMP(id=7, seq=9)))
    assert isinstance(got, Quoted)
    assert (got.ident, got.seq, got.sport) == (7, 9, None)


def test_ports_of_tcp_are_read() -> None:
    got = read_quoted(bytes(IP(src=A, dst=B) / TCP(sport=1234, dport=443))[:28])
    assert isinstance(got, Quoted)
    assert (got.protocol, got.sport, got.dport) == (6, 1234, 443)


def test_version_six_is_read_through_its_extension_headers() -> None:
    headers = IPv6(src=A6, dst=B6, hlim=3, tc=0xB8) / IPv6ExtHdrHopByHop() / IPv6ExtHdrDestOpt()
    got = read_quoted(bytes(headers / ICMPv6EchoRequest(id=7, seq=9, data=b"x")))
    assert got == Quoted(source=A6, target=B6, protocol=58, ttl=3, dscp=46, ident=7, seq=9, payload=b"x")


@pytest.mark.parametrize(("offset", "port"), [(0, 862), (8, None)])
def test_only_a_first_fragment_holds_ports(offset: int, port: int | None) -> None:
    six = IPv6(src=A6, dst=B6) / IPv6ExtHdrFragment(offset=offset, m=1) / UDP(sport=1, dport=862)
    four = IP(src=A, dst=B, frag=offset) / UDP(sport=1, dport=862)
    for packet in (six, four):
        got = read_quoted(bytes(packet))
        assert isinstance(got, Quoted)
        assert (got.protocol, got.dport) == (17, port)


@pytest.mark.parametrize(
    ("octets", "reason"),
    [
        (b"", Refusal.TRUNCATED),
        (b"\x45" + bytes(18), Refusal.TRUNCATED),
        (b"\x44" + bytes(30), Refusal.MALFORMED),
        (b"\x60" + bytes(38), Refusal.TRUNCATED),
        (b"\x50" + bytes(60), Refusal.MALFORMED),
    ],
)
def test_what_is_no_packet_is_refused(octets: bytes, reason: Refusal) -> None:
    assert read_quoted(octets) is reason


@given(st.sampled_from([b"", b"\x45", b"\x4f", b"\x60"]), st.binary(max_size=150))
def test_no_octets_make_it_raise(first: bytes, rest: bytes) -> None:
    assert isinstance(read_quoted(first + rest), Quoted | Refusal)
