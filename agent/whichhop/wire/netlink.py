"""Netlink's frame: messages and attributes as octets, of every family the kernel speaks (linux/netlink.h).

Numbers are in this machine's own byte order. Whatever does not fit its frame is an OutsideError: a kernel
writes none such, so nothing is guessed of the rest.
"""

import struct
import sys
from collections.abc import Iterator

from msgspec import Struct

from whichhop.errors import SystemRefusedError
from whichhop.outside import bad

_HEADER = struct.Struct("=IHHII")
"""struct nlmsghdr: length, type, flags, sequence, port."""
_ATTRIBUTE = struct.Struct("=HH")
"""struct nlattr: length, type."""
_GENERIC = struct.Struct("=BBH")
"""struct genlmsghdr: command, version, reserved."""
NESTED = 0x8000
_TYPE_MASK = 0x3FFF
"""NLA_TYPE_MASK: without "nested" and "net byte order"."""
REQUEST, ACK, DUMP = 0x001, 0x004, 0x300
"""NLM_F_REQUEST, NLM_F_ACK; NLM_F_DUMP is ROOT | MATCH."""
_NOOP, _ERROR, _DONE = 1, 2, 3
GET_FAMILY, _FAMILY_ID, _FAMILY_NAME = 3, 1, 2
CONTROL = 16
"""GENL_ID_CTRL, which numbers the other generic families (linux/genetlink.h)."""
MOST_ATTRIBUTES = 4_000
"""In one nest. A port of every mode has some hundred."""
_SIZES = {1, 2, 4, 8}


class RefusedError(SystemRefusedError):
    """The kernel refused a request; `number` is its errno."""

    def __init__(self, number: int, words: str) -> None:
        super().__init__(words)
        self.number = number


class Message(Struct, frozen=True, kw_only=True):
    """One message without its header. generic messages still begin with their command."""

    type: int
    seq: int
    payload: bytes


Attributes = dict[int, bytes]
"""Values by type; of one that comes twice the first."""


def attribute(kind: int, value: bytes) -> bytes:
    """An attribute with its length, filled up to four octets."""
    return _ATTRIBUTE.pack(_ATTRIBUTE.size + len(value), kind) + value + bytes(-len(value) % 4)


def request(kind: int, payload: bytes, *, seq: int, flags: int = ACK) -> bytes:
    """A request to the kernel; flags: DUMP for every row of a table, ACK for one answer and its end."""
    return _HEADER.pack(_HEADER.size + len(payload), kind, REQUEST | flags, seq, 0) + payload


def generic(command: int, *attributes: bytes, version: int = 1) -> bytes:
    """The payload of a request to a generic family."""
    return _GENERIC.pack(command, version, 0) + b"".join(attributes)


def family_question(name: str) -> bytes:
    """The payload that asks CONTROL for a family's number."""
    return generic(GET_FAMILY, attribute(_FAMILY_NAME, name.encode() + b"\0"))


def family_number(message: Message) -> int | None:
    """The number in CONTROL's answer; None for another message."""
    found = body(message, "generic netlink").get(_FAMILY_ID)
    return None if found is None else unsigned(found, "generic netlink: a family's number")


def messages(octets: bytes, seq: int, place: str) -> Iterator[Message]:
    """The answers to request `seq` in what one read of the socket gave; those to others are passed over.

    RefusedError: the kernel says no. The last of an answer is a Message of type `DONE`.
    """
    at = 0
    while at < len(octets):
        if len(octets) - at < _HEADER.size:
            raise bad(place, f"a message of {len(octets) - at} octets", "")
        length, kind, _, number, _ = _HEADER.unpack_from(octets, at)
        if not _HEADER.size <= length <= len(octets) - at:
            raise bad(place, f"a message that says {length} octets where {len(octets) - at} are left")
        payload = octets[at + _HEADER.size : at + length]
        at += -(-length // 4) * 4
        if number != seq or kind == _NOOP:
            continue
        if kind in (_ERROR, _DONE) and len(payload) >= 4:
            error = -int.from_bytes(payload[:4], sys.byteorder, signed=True)
            if error > 0:
                raise RefusedError(error, f"{place}: the kernel refuses (errno {error})")
        yield Message(type=DONE if kind in (_ERROR, _DONE) else kind, seq=number, payload=payload)


DONE = _DONE


def attributes(octets: bytes, place: str) -> Iterator[tuple[int, bytes]]:
    """Type and value of each attribute of a nest, in their order."""
    at = count = 0
    while len(octets) - at >= _ATTRIBUTE.size:
        length, kind = _ATTRIBUTE.unpack_from(octets, at)
        if not _ATTRIBUTE.size <= length <= len(octets) - at:
            raise bad(place, f"an attribute that says {length} octets where {len(octets) - at} are left")
        count += 1
        if count > MOST_ATTRIBUTES:
            raise bad(place, f"more than {MOST_ATTRIBUTES} attributes")
        yield kind & _TYPE_MASK, octets[at + _ATTRIBUTE.size : at + length]
        at += -(-length // 4) * 4
    if at < len(octets):
        raise bad(place, f"{len(octets) - at} octets behind the last attribute")


def nest(octets: bytes, place: str) -> Attributes:
    """The attributes of a nest by type."""
    found: Attributes = {}
    for kind, value in attributes(octets, place):
        found.setdefault(kind, value)
    return found


def body(message: Message, place: str) -> Attributes:
    """The attributes of a generic message."""
    if len(message.payload) < _GENERIC.size:
        raise bad(place, f"a message of {len(message.payload)} octets without its command")
    return nest(message.payload[_GENERIC.size :], place)


def u32(value: int) -> bytes:
    """A number as the kernel reads it."""
    return value.to_bytes(4, sys.byteorder)


def unsigned(value: bytes, place: str) -> int:
    """A whole number of 8, 16, 32 or 64 bits."""
    if len(value) not in _SIZES:
        raise bad(place, f"{len(value)} octets are no number")
    return int.from_bytes(value, sys.byteorder)


def signed(value: bytes, place: str) -> int:
    """As `unsigned`, in two's complement."""
    number = unsigned(value, place)
    top = 1 << (8 * len(value))
    return number - top if number >= top >> 1 else number


def count_in(found: Attributes, kind: int, place: str) -> int | None:
    """A whole number among attributes; None where it is not there."""
    return unsigned(found[kind], place) if kind in found else None
