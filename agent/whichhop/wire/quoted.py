"""The start of one of our own packets, as an ICMP error quotes it; and why a received packet was not used."""

import struct
from enum import StrEnum
from ipaddress import ip_address

from msgspec import Struct

ICMP, TCP, UDP, ICMP6 = 1, 6, 17, 58
_IPV4_LEAST = 20
_IPV6_HEADER = 40
_HEADERS_SKIPPED = frozenset({0, 43, 60})
"""IPv6 hop-by-hop, routing and destination options: each tells its own length (RFC 8200 4)."""
_FRAGMENT = 44


class Refusal(StrEnum):
    """The reasons; the value is what counters and metrics show."""

    TRUNCATED = "truncated"
    """Shorter than its kind allows."""
    MALFORMED = "malformed"
    """A field holds what its standard forbids."""
    CORRUPT_ESTIMATE = "corrupt-estimate"
    """Error estimate with multiplier 0, which RFC 4656 4.1.2 calls corrupt."""
    BAD_TAG = "bad-tag"
    """The HMAC does not fit the octets and our key."""
    REPLAYED = "replayed"
    """Authenticated, but already seen, or long past by a stamp whose clock and ours are both right."""
    LOOPED = "looped"
    """No ask: it quotes a stamp of our own, as an answer to one of our answers does."""
    UNASKED = "unasked"
    """Well formed, but answers nothing we asked."""
    OTHER_KIND = "other-kind"
    """Well formed, but a message that is not ours to read."""
    FAILED = "failed"
    """Answers what we asked by saying that it could not be done, as a resolver's server failure does."""


class Quoted(Struct, frozen=True, kw_only=True):
    """A quoted packet.

    ttl: as it arrived at the router that speaks. ident, seq: of an echo; sport, dport: of UDP or TCP; None
    where the quote does not hold them. payload: what else of the transport's content is quoted.
    """

    source: str
    target: str
    protocol: int
    ttl: int
    dscp: int
    sport: int | None = None
    dport: int | None = None
    ident: int | None = None
    seq: int | None = None
    payload: bytes = b""


def read_quoted(data: bytes) -> Quoted | Refusal:
    """Read a quoted IP packet; RFC 792 promises its header and 8 octets, so TCP's content is rarely there."""
    if not data:
        return Refusal.TRUNCATED
    version = data[0] >> 4
    if version == 4:
        return _read_v4(data)
    return _read_v6(data) if version == 6 else Refusal.MALFORMED


def _read_v4(data: bytes) -> Quoted | Refusal:
    if len(data) < _IPV4_LEAST:
        return Refusal.TRUNCATED
    octets = (data[0] & 0x0F) * 4
    if octets < _IPV4_LEAST:
        return Refusal.MALFORMED
    source, target = str(ip_address(data[12:16])), str(ip_address(data[16:20]))
    later_fragment = bool((data[6] << 8 | data[7]) & 0x1FFF)
    inner = b"" if later_fragment else data[octets:]
    return _with_transport(source, target, data[9], inner, ttl=data[8], dscp=data[1] >> 2)


def _read_v6(data: bytes) -> Quoted | Refusal:
    if len(data) < _IPV6_HEADER:
        return Refusal.TRUNCATED
    source, target = str(ip_address(data[8:24])), str(ip_address(data[24:40]))
    protocol, at = data[6], _IPV6_HEADER
    while protocol in _HEADERS_SKIPPED or protocol == _FRAGMENT:
        if len(data) < at + 8:
            break
        if protocol == _FRAGMENT:
            if (data[at + 2] << 8 | data[at + 3]) & 0xFFF8:  # not the first fragment: no transport header
                return _with_transport(source, target, data[at], b"", ttl=data[7], dscp=_v6_dscp(data))
            octets = 8
        else:
            octets = (data[at + 1] + 1) * 8
        protocol, at = data[at], at + octets
    return _with_transport(source, target, protocol, data[at:], ttl=data[7], dscp=_v6_dscp(data))


def _v6_dscp(data: bytes) -> int:
    return (data[0] << 4 | data[1] >> 4) >> 2 & 0x3F


def _with_transport(source: str, target: str, protocol: int, inner: bytes, *, ttl: int, dscp: int) -> Quoted:
    sport = dport = ident = seq = None
    payload = b""
    if protocol in (UDP, TCP) and len(inner) >= 4:
        sport, dport = struct.unpack_from("!HH", inner)
        payload = inner[8:] if protocol == UDP else b""
    elif protocol in (ICMP, ICMP6) and len(inner) >= 8:
        ident, seq = struct.unpack_from("!HH", inner, 4)
        payload = inner[8:]
    return Quoted(
        source=source,
        target=target,
        protocol=protocol,
        ttl=ttl,
        dscp=dscp,
        sport=sport,
        dport=dport,
        ident=ident,
        seq=seq,
        payload=payload,
    )
