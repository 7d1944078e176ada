"""ICMP messages against scapy's, both versions, and against anything."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.inet import ICMP, IP, UDP
from scapy.layers.inet6 import (
    ICMPv6DestUnreach,
    ICMPv6EchoReply,
    ICMPv6EchoRequest,
    ICMPv6PacketTooBig,
    ICMPv6TimeExceeded,
    IPv6,
)

from whichhop.wire.icmp import (
    Echo,
    ErrorKind,
    Family,
    IcmpError,
    checksum,
    pack_echo,
    pseudo_header,
    strip_ipv4,
    unpack,
)
from whichhop.wire.quoted import Refusal

INNER4 = IP(src="192.0.2.20", dst="198.51.100.7", ttl=1) / UDP(sport=40000, dport=862) / bytes(60)
INNER6 = IPv6(src="2001:db8::20", dst="2001:db8:1::7", hlim=1) / UDP(sport=40000, dport=862) / bytes(60)

u16 = st.integers(0, 0xFFFF)
echoes = st.builds(Echo, reply=st.booleans(), ident=u16, seq=u16, payload=st.binary(max_size=60))


def test_the_checksum_is_the_rfcs_own_example() -> None:
    # RFC 1071 3: the sum of 00 01 f2 03 f4 f5 f6 f7 is ddf2; the checksum is its complement
    assert checksum(bytes.fromhex("0001f203f4f5f6f7")) == 0xDDF2 ^ 0xFFFF


@given(echoes)
def test_our_echoes_are_scapys_octet_for_octet(echo: Echo) -> None:
    theirs = ICMP(type=0 if echo.reply else 8, id=echo.ident, seq=echo.seq) / echo.payload
    ours = pack_echo(echo, Family.V4)
    assert ours == bytes(theirs)
    assert checksum(ours) == 0
    assert unpack(bytes(theirs), Family.V4, check=True) == echo


@given(echoes)
def test_our_version_six_echoes_are_scapys_octet_for_octet(echo: Echo) -> None:
    kind = ICMPv6EchoReply if echo.reply else ICMPv6EchoRequest
    ip = IPv6(src="2001:db8::20", dst="2001:db8::1")
    theirs = bytes(ip / kind(id=echo.ident, seq=echo.seq, data=echo.payload))
    pseudo = pseudo_header(theirs[8:24], theirs[24:40], len(theirs) - 40)
    assert pack_echo(echo, Family.V6, pseudo=pseudo) == theirs[40:]
    assert unpack(theirs[40:], Family.V6) == echo


@pytest.mark.parametrize(
    ("kind", "code", "said"),
    [
        (3, 0, ErrorKind.UNREACHABLE),
        (3, 3, ErrorKind.PORT_UNREACHABLE),
        (3, 13, ErrorKind.UNREACHABLE),
        (11, 0, ErrorKind.TIME_EXCEEDED),
    ],
)
def test_version_four_errors_name_their_kind_and_our_packet(kind: int, code: int, said: ErrorKind) -> None:
    got = unpack(bytes(ICMP(type=kind, code=code) / INNER4), Family.V4, check=True)
    assert isinstance(got, IcmpError)
    assert (got.kind, got.code, got.mtu, got.extension) == (said, code, None, b"")
    assert (got.quoted.sport, got.quoted.dport, got.quoted.target) == (40000, 862, "198.51.100.7")


@pytest.mark.parametrize(
    ("message", "said"),
    [
        (ICMPv6DestUnreach(code=0), ErrorKind.UNREACHABLE),
        (ICMPv6DestUnreach(code=4), ErrorKind.PORT_UNREACHABLE),
        (ICMPv6TimeExceeded(code=0), ErrorKind.TIME_EXCEEDED),
    ],
)
def test_version_six_errors_name_their_kind_and_our_packet(message: object, said: ErrorKind) -> None:
    packet = IPv6(src="2001:db8::1", dst="2001:db8::20") / message / INNER6
    got = unpack(bytes(packet)[40:], Family.V6)
    assert isinstance(got, IcmpError)
    assert got.kind is said
    assert (got.quoted.sport, got.quoted.target) == (40000, "2001:db8:1::7")


@pytest.mark.parametrize(("told", "mtu"), [(1492, 1492), (0, None)])
def test_too_big_tells_the_octets_that_fit(told: int, mtu: int | None) -> None:
    four = unpack(bytes(ICMP(type=3, code=4, nexthopmtu=told) / INNER4), Family.V4)  # RFC 1191 4
    packet = IPv6(src="2001:db8::1", dst="2001:db8::20") / ICMPv6PacketTooBig(mtu=told) / INNER6
    six = unpack(bytes(packet)[40:], Family.V6)  # RFC 4443 3.2
    for got in (four, six):
        assert isinstance(got, IcmpError)
        assert (got.kind, got.mtu) == (ErrorKind.TOO_BIG, mtu)


EXTENSION = bytes.fromhex("2000dfff")
"""RFC 4884 8: an extension header of version 2 with its checksum and no objects."""


def test_an_extension_behind_the_quoted_packet_is_told_apart() -> None:
    inner = bytes(INNER4).ljust(128, b"\0")[:128]
    octets = bytes((11, 0, 0, 0, 0, 128 // 4, 0, 0)) + inner + EXTENSION
    got = unpack(octets, Family.V4)
    assert isinstance(got, IcmpError)
    assert (got.extension, got.quoted.sport) == (EXTENSION, 40000)
    inner = bytes(INNER6).ljust(128, b"\0")[:128]
    got = unpack(bytes((3, 0, 0, 0, 128 // 8, 0, 0, 0)) + inner + EXTENSION, Family.V6)
    assert isinstance(got, IcmpError)
    assert (got.extension, got.quoted.sport) == (EXTENSION, 40000)


def test_a_length_beyond_the_message_is_taken_for_none() -> None:
    # RFC 4884 5.5: routers older than it may leave anything there
    got = unpack(bytes((11, 0, 0, 0, 0, 255, 0, 0)) + bytes(INNER4), Family.V4)
    assert isinstance(got, IcmpError)
    assert (got.extension, got.quoted.sport) == (b"", 40000)


def test_messages_that_are_not_ours_or_broken_are_refused() -> None:
    assert unpack(bytes(ICMP(type=13)), Family.V4) is Refusal.OTHER_KIND
    assert unpack(bytes((135, 0)) + bytes(22), Family.V6) is Refusal.OTHER_KIND
    assert unpack(b"\0" * 7, Family.V4) is Refusal.TRUNCATED
    assert unpack(bytes((8, 1, 0, 0, 0, 0, 0, 0)), Family.V4) is Refusal.MALFORMED
    assert unpack(bytes((8, 0, 1, 0, 0, 0, 0, 0)), Family.V4, check=True) is Refusal.MALFORMED
    assert unpack(bytes((11, 0)) + bytes(8), Family.V4) is Refusal.MALFORMED
    assert unpack(bytes((11, 0)) + bytes(6), Family.V4) is Refusal.TRUNCATED


def test_the_header_of_a_raw_socket_is_taken_off() -> None:
    packet = bytes(IP(src="192.0.2.1", dst="192.0.2.20", options=b"\x01" * 4) / ICMP(type=0, id=1, seq=2))
    inner = strip_ipv4(packet)
    assert isinstance(inner, bytes)
    assert unpack(inner, Family.V4) == Echo(reply=True, ident=1, seq=2)
    assert strip_ipv4(packet[:19]) is strip_ipv4(packet[:22]) is Refusal.TRUNCATED
    assert strip_ipv4(b"\x60" + packet[1:]) is Refusal.MALFORMED


@given(st.binary(max_size=200), st.sampled_from(Family), st.booleans())
def test_no_octets_make_the_reader_raise(data: bytes, family: Family, check: bool) -> None:
    assert isinstance(unpack(data, family, check=check), Echo | IcmpError | Refusal)
    assert isinstance(strip_ipv4(data), bytes | Refusal)


@given(
    st.sampled_from([(Family.V4, 3), (Family.V4, 11), (Family.V6, 1), (Family.V6, 2), (Family.V6, 3)]),
    st.binary(min_size=6, max_size=6),
    st.sampled_from([b"\x45", b"\x60", b""]),
    st.binary(max_size=150),
)
def test_no_error_message_makes_the_reader_raise(
    kind: tuple[Family, int], head: bytes, version: bytes, inner: bytes
) -> None:
    family, number = kind
    got = unpack(bytes((number, 0)) + head + version + inner, family)
    assert isinstance(got, IcmpError | Refusal)
