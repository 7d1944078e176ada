"""Echo requests and answers, and errors about them, for IPv4 and IPv6: bytes to record and back.

RFC 792 and RFC 4443; messages begin at the ICMP header. What errors quote is read by quoted.py.
"""

import struct
from enum import Enum
from typing import NamedTuple

from msgspec import Struct

from whichhop.wire.quoted import Quoted, Refusal, read_quoted

HEADER_OCTETS = 8
_ECHO = struct.Struct("!BBHHH")
_IPV4_LEAST = 20


class Family(Enum):
    """The two versions: type numbers, and the unit of RFC 4884's length of the quoted datagram."""

    V4 = 4
    V6 = 6

    @property
    def request(self) -> int:
        """Echo request's type."""
        return 8 if self is Family.V4 else 128

    @property
    def reply(self) -> int:
        """Echo reply's type."""
        return 0 if self is Family.V4 else 129


class ErrorKind(Enum):
    """What an ICMP error says of the packet it quotes."""

    UNREACHABLE = "unreachable"
    PORT_UNREACHABLE = "port-unreachable"
    """The target itself answered: it was reached, and nothing listens."""
    TOO_BIG = "too-big"
    TIME_EXCEEDED = "time-exceeded"


class Echo(NamedTuple):
    """An echo request or reply; a tuple, since it is made for every packet."""

    reply: bool
    ident: int
    seq: int
    payload: bytes = b""


class IcmpError(Struct, frozen=True, kw_only=True):
    """A router's or the target's word on a packet of ours.

    mtu: octets that fit, from TOO_BIG only. extension: RFC 4884's structure behind the quoted packet, unread.
    """

    kind: ErrorKind
    code: int
    quoted: Quoted
    mtu: int | None = None
    extension: bytes = b""


def checksum(data: bytes) -> int:
    """The Internet checksum (RFC 1071) of octets whose own field is zero; of whole messages 0 when right."""
    whole = int.from_bytes(data) << 8 * (len(data) % 2)
    # 2^16 is 1 modulo 2^16 - 1, so the sum of all words is what is left of the whole; only zeros sum up to 0.
    return ~(whole % 0xFFFF or (whole and 0xFFFF)) & 0xFFFF


def pseudo_header(source: bytes, target: bytes, octets: int) -> bytes:
    """What the IPv6 checksum covers besides the message (RFC 8200 8.1); addresses of 16 octets each."""
    return source + target + struct.pack("!I3xB", octets, 58)


def pack_echo(echo: Echo, family: Family, *, pseudo: bytes = b"") -> bytes:
    """An echo message with its checksum, for IPv6 over `pseudo` too; ICMPv6 sockets fill it in themselves."""
    kind = family.reply if echo.reply else family.request
    head = _ECHO.pack(kind, 0, 0, echo.ident, echo.seq)
    total = checksum(pseudo + head + echo.payload)
    return _ECHO.pack(kind, 0, total, echo.ident, echo.seq) + echo.payload


def strip_ipv4(data: bytes) -> bytes | Refusal:
    """The ICMP message of what a raw IPv4 socket gives, which begins with the IP header."""
    if len(data) < _IPV4_LEAST:
        return Refusal.TRUNCATED
    octets = (data[0] & 0x0F) * 4
    if data[0] >> 4 != 4 or octets < _IPV4_LEAST:
        return Refusal.MALFORMED
    return data[octets:] if len(data) >= octets else Refusal.TRUNCATED


def unpack(data: bytes, family: Family, *, check: bool = False) -> Echo | IcmpError | Refusal:
    """Read one ICMP message.

    check: verify the IPv4 checksum, for octets that no kernel has looked at.
    """
    if len(data) < HEADER_OCTETS:
        return Refusal.TRUNCATED
    if check and family is Family.V4 and checksum(data):
        return Refusal.MALFORMED
    kind, code, _, ident, seq = _ECHO.unpack_from(data)
    if kind in (family.request, family.reply):
        if code:
            return Refusal.MALFORMED
        return Echo(reply=kind == family.reply, ident=ident, seq=seq, payload=data[HEADER_OCTETS:])
    error = _error_kind(kind, code, family)
    return Refusal.OTHER_KIND if error is None else _unpack_error(data, family, error)


def _unpack_error(data: bytes, family: Family, kind: ErrorKind) -> IcmpError | Refusal:
    inner, extension = _cut_quoted(data, family)
    quoted = read_quoted(inner)
    if isinstance(quoted, Refusal):
        return quoted
    mtu = None
    if kind is ErrorKind.TOO_BIG:
        # RFC 1191 4 in IPv4 (0 from routers that do not tell), RFC 4443 3.2
        mtu = int.from_bytes(data[6:8] if family is Family.V4 else data[4:8]) or None
    return IcmpError(kind=kind, code=data[1], quoted=quoted, mtu=mtu, extension=extension)


def _error_kind(kind: int, code: int, family: Family) -> ErrorKind | None:
    if family is Family.V4:
        if kind == 3:
            return {3: ErrorKind.PORT_UNREACHABLE, 4: ErrorKind.TOO_BIG}.get(code, ErrorKind.UNREACHABLE)
        return ErrorKind.TIME_EXCEEDED if kind == 11 else None
    if kind == 1:
        return ErrorKind.PORT_UNREACHABLE if code == 4 else ErrorKind.UNREACHABLE
    return {2: ErrorKind.TOO_BIG, 3: ErrorKind.TIME_EXCEEDED}.get(kind)


def _cut_quoted(data: bytes, family: Family) -> tuple[bytes, bytes]:
    """Quoted packet and extension. A length of 0, or one beyond the message, means there is no extension.

    RFC 4884 4.1 to 4.5: the length stands in octet 5 in 32-bit words for IPv4, in octet 4 in 64-bit words for
    IPv6; messages without it (packet too big among them) quote to their end.
    """
    body = data[HEADER_OCTETS:]
    octets = data[5] * 4 if family is Family.V4 else data[4] * 8
    extensible = data[0] in ((3, 11) if family is Family.V4 else (1, 3))
    if not extensible or not octets or octets > len(body):
        return body, b""
    return body[:octets], body[octets:]
