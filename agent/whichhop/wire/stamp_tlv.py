"""STAMP's optional extensions (RFC 8972 4): type, length, value, and what the values say.

The sender sets flag U ("not understood") and clears M ("malformed") and I ("integrity failed"); the reflector
answers by changing them. Here an extension is split from octets and put together again, a value read or
written; what a reflector does with them stands in stamp_tlv_answer.py.
"""

import struct
from collections.abc import Iterable
from enum import IntEnum
from typing import NamedTuple

from msgspec import Struct

from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp import TAG_OCTETS, tag, tag_fits

UNDERSTOOD_NOT = 0x80
MALFORMED = 0x40
INTEGRITY_FAILED = 0x20
HEADER_OCTETS = 4

_HEADER = struct.Struct("!BBH")
_DIRECT = struct.Struct("!III")
_FOLLOW_UP = struct.Struct("!IQB3x")


class TlvType(IntEnum):
    """Types 1 to 8 of RFC 8972 5.1."""

    EXTRA_PADDING = 1
    LOCATION = 2
    TIMESTAMP_INFORMATION = 3
    CLASS_OF_SERVICE = 4
    DIRECT_MEASUREMENT = 5
    ACCESS_REPORT = 6
    FOLLOW_UP_TELEMETRY = 7
    HMAC = 8


LENGTHS = {
    TlvType.TIMESTAMP_INFORMATION: 4,
    TlvType.CLASS_OF_SERVICE: 4,
    TlvType.DIRECT_MEASUREMENT: 12,
    TlvType.ACCESS_REPORT: 4,
    TlvType.FOLLOW_UP_TELEMETRY: 16,
    TlvType.HMAC: TAG_OCTETS,
}
"""Value lengths that are fixed; any other length there is malformed."""


class SyncSource(IntEnum):
    """Where a clock gets its time (RFC 8972 5.3; numbers from memory)."""

    UNKNOWN = 0
    NTP = 1
    PTP = 2
    SUPPLY_UNIT = 3
    SATELLITE = 4
    FREE_RUNNING = 5


class StampMethod(IntEnum):
    """How a stamp was taken (RFC 8972 5.3; numbers from memory).

    The kernel's stamps are software ones; a user process's reading of the clock counts as control plane.
    """

    UNKNOWN = 0
    HARDWARE = 1
    SOFTWARE = 2
    CONTROL_PLANE = 3


KERNEL_METHODS = frozenset({StampMethod.HARDWARE, StampMethod.SOFTWARE})
"""Those below user space."""


class Tlv(NamedTuple):
    """One extension; a tuple, since several are made for every packet.

    `type` is a plain number, since types we do not know pass through too.
    """

    type: int
    value: bytes = b""
    flags: int = UNDERSTOOD_NOT

    def pack(self) -> bytes:
        """Header and value."""
        return _HEADER.pack(self.flags, self.type, len(self.value)) + self.value


class Split(NamedTuple):
    """Octets cut into extensions; `left` begins with the first that is malformed, empty when none is."""

    tlvs: tuple[Tlv, ...]
    left: bytes


def split(data: bytes) -> Split:
    """Cut the octets behind the base packet into extensions, up to the first whose length is wrong."""
    found = []
    at = 0
    while len(data) - at >= HEADER_OCTETS:
        flags, kind, length = _HEADER.unpack_from(data, at)
        end = at + HEADER_OCTETS + length
        if end > len(data) or LENGTHS.get(kind, length) != length:
            break
        found.append(Tlv(type=kind, value=data[at + HEADER_OCTETS : end], flags=flags))
        at = end
    return Split(tlvs=tuple(found), left=data[at:])


def pack(tlvs: Iterable[Tlv]) -> bytes:
    """Extensions one behind the other."""
    return b"".join([t.pack() for t in tlvs])


def padding(octets: int) -> Tlv:
    """Extra Padding that takes so many octets in all, header included (RFC 8972 4.1); at least 4."""
    return Tlv(type=TlvType.EXTRA_PADDING, value=bytes(max(0, octets - HEADER_OCTETS)))


def seal_code(covered: bytes, seq: int, key: bytes) -> Tlv:
    """The HMAC TLV over octets of extensions (RFC 8972 4.8).

    seq: sequence number of the packet that carries them; it is the first thing the tag covers.
    """
    return Tlv(type=TlvType.HMAC, value=tag(key, seq.to_bytes(4) + covered))


def seal(tlvs: tuple[Tlv, ...], seq: int, key: bytes) -> tuple[Tlv, ...]:
    """The extensions with an HMAC TLV behind all but trailing Extra Padding; `seq` as for `seal_code`."""
    covered = list(tlvs)
    behind: list[Tlv] = []
    while covered and covered[-1].type == TlvType.EXTRA_PADDING:
        behind.insert(0, covered.pop())
    return (*covered, seal_code(pack(covered), seq, key), *behind)


def seal_fits(tlvs: tuple[Tlv, ...], seq: int, key: bytes) -> bool:
    """True when one HMAC TLV covers all but Extra Padding behind it and its tag fits.

    Extensions that are nothing but Extra Padding need none (RFC 8972 4.8).
    """
    at = next((i for i, t in enumerate(tlvs) if t.type == TlvType.HMAC), len(tlvs))
    behind = tlvs[at + 1 :] if at < len(tlvs) else tlvs
    if behind and any(t.type != TlvType.EXTRA_PADDING for t in behind):
        return False
    return at == len(tlvs) or tag_fits(key, seq.to_bytes(4) + pack(tlvs[:at]), tlvs[at].value)


def read_answer(rest: bytes, seq: int, key: bytes | None) -> tuple[Tlv, ...] | Refusal:
    """The extensions of an answer that its sender may use (RFC 8972 4, validation of flags).

    U: left out. M: nothing from there on. I, or a tag that does not fit our key: none at all.
    seq: the answer's own sequence number. Without a key an HMAC TLV is not looked at.
    """
    cut = split(rest)
    usable, well_formed = [], True
    for tlv in cut.tlvs:
        if tlv.flags & INTEGRITY_FAILED:
            return Refusal.BAD_TAG
        well_formed = well_formed and not tlv.flags & MALFORMED
        if well_formed and not tlv.flags & UNDERSTOOD_NOT:
            usable.append(tlv)
    # a reflector that knows no extensions copies ours, seal and all: nothing to use, and no forgery
    if usable and key is not None and not seal_fits(cut.tlvs, seq, key):
        return Refusal.BAD_TAG
    return tuple(usable)


class ClassOfService(Struct, frozen=True, kw_only=True):
    """RFC 8972 4.4. dscp1: wanted on the answer. dscp2, ecn: seen on the ask as it arrived. refused: RP."""

    dscp1: int
    dscp2: int = 0
    ecn: int = 0
    refused: int = 0

    def tlv(self, flags: int = UNDERSTOOD_NOT) -> Tlv:
        """As an extension."""
        word = self.dscp1 << 26 | self.dscp2 << 20 | self.ecn << 18 | self.refused << 16
        return Tlv(type=TlvType.CLASS_OF_SERVICE, value=word.to_bytes(4), flags=flags)

    @classmethod
    def read(cls, value: bytes) -> "ClassOfService | Refusal":
        """From an extension's value."""
        if len(value) != LENGTHS[TlvType.CLASS_OF_SERVICE]:
            return Refusal.MALFORMED
        word = int.from_bytes(value)
        return cls(dscp1=word >> 26, dscp2=word >> 20 & 0x3F, ecn=word >> 18 & 3, refused=word >> 16 & 3)


class TimestampInformation(NamedTuple):
    """RFC 8972 4.3: the reflector's clock and stamping, as the ask came in and as the answer went out."""

    source_in: int = 0
    method_in: int = 0
    source_out: int = 0
    method_out: int = 0

    def tlv(self, flags: int = UNDERSTOOD_NOT) -> Tlv:
        """As an extension; a sender leaves all four zero."""
        value = bytes((self.source_in, self.method_in, self.source_out, self.method_out))
        return Tlv(type=TlvType.TIMESTAMP_INFORMATION, value=value, flags=flags)

    @classmethod
    def read(cls, value: bytes) -> "TimestampInformation | Refusal":
        """From an extension's value."""
        if len(value) != LENGTHS[TlvType.TIMESTAMP_INFORMATION]:
            return Refusal.MALFORMED
        return cls(source_in=value[0], method_in=value[1], source_out=value[2], method_out=value[3])


class DirectMeasurement(Struct, frozen=True, kw_only=True):
    """RFC 8972 4.5: packets sent by the sender; received and sent by the reflector, as it counts them."""

    sender_sent: int
    reflector_received: int = 0
    reflector_sent: int = 0

    def tlv(self, flags: int = UNDERSTOOD_NOT) -> Tlv:
        """As an extension; counts modulo 2^32."""
        counts = (self.sender_sent, self.reflector_received, self.reflector_sent)
        value = _DIRECT.pack(*(c & 0xFFFFFFFF for c in counts))
        return Tlv(type=TlvType.DIRECT_MEASUREMENT, value=value, flags=flags)

    @classmethod
    def read(cls, value: bytes) -> "DirectMeasurement | Refusal":
        """From an extension's value."""
        if len(value) != _DIRECT.size:
            return Refusal.MALFORMED
        sent, received, answered = _DIRECT.unpack(value)
        return cls(sender_sent=sent, reflector_received=received, reflector_sent=answered)


class AccessReport(Struct, frozen=True, kw_only=True):
    """RFC 8972 4.6: which access network (1 mobile, 2 other) is available (1) or not (2)."""

    access: int
    code: int

    def tlv(self, flags: int = UNDERSTOOD_NOT) -> Tlv:
        """As an extension."""
        return Tlv(
            type=TlvType.ACCESS_REPORT, value=bytes((self.access << 4 & 0xF0, self.code, 0, 0)), flags=flags
        )

    @classmethod
    def read(cls, value: bytes) -> "AccessReport | Refusal":
        """From an extension's value."""
        if len(value) != LENGTHS[TlvType.ACCESS_REPORT]:
            return Refusal.MALFORMED
        return cls(access=value[0] >> 4, code=value[1])


class FollowUp(NamedTuple):
    """RFC 8972 4.7: number of the reflector's answer before this one, when it truly left, how that is known.

    sent_at is a timestamp field in the format of the carrying packet; 0 when the reflector does not know.
    """

    seq: int = 0
    sent_at: int = 0
    method: int = 0

    def tlv(self, flags: int = UNDERSTOOD_NOT) -> Tlv:
        """As an extension; a sender leaves all zero."""
        value = _FOLLOW_UP.pack(self.seq, self.sent_at, self.method)
        return Tlv(type=TlvType.FOLLOW_UP_TELEMETRY, value=value, flags=flags)

    @classmethod
    def read(cls, value: bytes) -> "FollowUp | Refusal":
        """From an extension's value."""
        if len(value) != _FOLLOW_UP.size:
            return Refusal.MALFORMED
        seq, sent_at, method = _FOLLOW_UP.unpack(value)
        return cls(seq=seq, sent_at=sent_at, method=method)


NO_FOLLOW_UP = FollowUp()
NO_INFORMATION = TimestampInformation()
