"""STAMP base packets, both directions, plain and authenticated: bytes to record and back.

Layout: RFC 8762 4.2 and 4.3, figures 2, 4, 5, 6; session identifier (SSID): RFC 8972 3. All big-endian.
Fields that must be zero are written as zero and ignored when read. `rest` is what follows the base: TLVs or
padding. With a key the packet is the authenticated one, its tag over the 96 octets before it.
"""

import hashlib
import hmac
import struct
from functools import lru_cache
from typing import NamedTuple

from whichhop.wire.ntp64 import ErrorEstimate
from whichhop.wire.quoted import Refusal

TAG_OCTETS = 16
_BLOCK_OCTETS = 64
"""Of SHA-256, which a key is filled up to (RFC 2104 2)."""

DEFAULT_PORT = 862
BASE_OCTETS = 44
AUTH_OCTETS = 112
TAGGED_OCTETS = AUTH_OCTETS - TAG_OCTETS
TWAMP_SENDER_OCTETS = 14
"""The least a TWAMP Light sender sends: no session identifier, no padding (RFC 5357 4.1.2)."""
TWAMP_REFLECTOR_OCTETS = 41
"""The least a TWAMP Light reflector answers: STAMP's base less three zero octets (RFC 5357 4.2.1)."""

SENDER = struct.Struct("!IQHH28x")
SENDER_SHORT = struct.Struct("!IQH")
REFLECTOR = struct.Struct("!IQHHQIQH2xB3x")
REFLECTOR_SHORT = struct.Struct("!IQHHQIQH2xB")
SENDER_AUTH = struct.Struct("!I12xQHH68x")
REFLECTOR_AUTH = struct.Struct("!I12xQHH4xQ8xI12xQH6xB15x")


@lru_cache(maxsize=16)
def _keyed(key: bytes) -> "tuple[hashlib._Hash, hashlib._Hash]":
    """The inner and the outer hash with the key taken in, to be copied (RFC 2104 4)."""
    if len(key) > _BLOCK_OCTETS:
        key = hashlib.sha256(key).digest()
    block = key.ljust(_BLOCK_OCTETS, b"\0")
    inner, outer = (hashlib.sha256(bytes(octet ^ pad for octet in block)) for pad in (0x36, 0x5C))
    return inner, outer


def tag(key: bytes, data: bytes) -> bytes:
    """The first 16 octets of HMAC-SHA-256 over `data`.

    Four are made for a packet and its answer: the library's own object takes three times as long.
    """
    inner, outer = _keyed(key)
    within, around = inner.copy(), outer.copy()
    within.update(data)
    around.update(within.digest())
    return around.digest()[:TAG_OCTETS]


def tag_fits(key: bytes, data: bytes, received: bytes) -> bool:
    """Compare in a time that does not depend on where the tags differ."""
    return hmac.compare_digest(tag(key, data), received)


class Ask(NamedTuple):
    """What a session-sender sends; a tuple, as others here that are made for every packet.

    t1: a timestamp field, its format named by the estimate's Z bit.
    """

    seq: int
    t1: int
    estimate: ErrorEstimate
    ssid: int = 0
    rest: bytes = b""


class StampAnswer(NamedTuple):
    """What a session-reflector sends back; timestamps are fields, not nanoseconds.

    seq: the reflector's own count when it keeps state, else a copy of `sender_seq`.
    ssid: 0 from a reflector that knows only RFC 8762.
    sender_ttl: TTL or hop limit of the ask as it arrived.
    t1, t2, t3: sent by the sender, received by the reflector, sent by the reflector.
    """

    seq: int
    t3: int
    estimate: ErrorEstimate
    ssid: int
    t2: int
    sender_seq: int
    t1: int
    sender_estimate: ErrorEstimate
    sender_ttl: int
    rest: bytes = b""


def pack_ask(ask: Ask, key: bytes | None = None) -> bytes:
    """The sender's packet; authenticated when there is a key."""
    fields = (ask.seq, ask.t1, ask.estimate.field, ask.ssid)
    if key is None:
        return SENDER.pack(*fields) + ask.rest
    base = SENDER_AUTH.pack(*fields)
    return base + tag(key, base) + ask.rest


def unpack_ask(data: bytes, key: bytes | None = None) -> Ask | Refusal:
    """Read a sender's packet; a plain one may be as short as TWAMP Light's (RFC 8762 4.6)."""
    if key is None:
        if len(data) < TWAMP_SENDER_OCTETS:
            return Refusal.TRUNCATED
        if len(data) < BASE_OCTETS:
            seq, t1, estimate = SENDER_SHORT.unpack_from(data)
            ssid = 0
        else:
            seq, t1, estimate, ssid = SENDER.unpack_from(data)
        rest = data[BASE_OCTETS:]
    else:
        if len(data) < AUTH_OCTETS:
            return Refusal.TRUNCATED
        if not tag_fits(key, data[:TAGGED_OCTETS], data[TAGGED_OCTETS:AUTH_OCTETS]):
            return Refusal.BAD_TAG
        seq, t1, estimate, ssid = SENDER_AUTH.unpack_from(data)
        rest = data[AUTH_OCTETS:]
    error = ErrorEstimate.from_field(estimate)
    if error.corrupt:
        return Refusal.CORRUPT_ESTIMATE
    return Ask(seq=seq, t1=t1, estimate=error, ssid=ssid, rest=rest)


def pack_answer(answer: StampAnswer, key: bytes | None = None) -> bytes:
    """The reflector's packet; authenticated when there is a key."""
    fields = (
        answer.seq,
        answer.t3,
        answer.estimate.field,
        answer.ssid,
        answer.t2,
        answer.sender_seq,
        answer.t1,
        answer.sender_estimate.field,
        answer.sender_ttl,
    )
    if key is None:
        return REFLECTOR.pack(*fields) + answer.rest
    base = REFLECTOR_AUTH.pack(*fields)
    return base + tag(key, base) + answer.rest


def unpack_answer(data: bytes, key: bytes | None = None) -> StampAnswer | Refusal:
    """Read a reflector's packet; a plain one may lack the last three octets, as TWAMP Light's does."""
    if key is None:
        if len(data) < TWAMP_REFLECTOR_OCTETS:
            return Refusal.TRUNCATED
        fields = REFLECTOR_SHORT.unpack_from(data)
        rest = data[BASE_OCTETS:]
    else:
        if len(data) < AUTH_OCTETS:
            return Refusal.TRUNCATED
        if not tag_fits(key, data[:TAGGED_OCTETS], data[TAGGED_OCTETS:AUTH_OCTETS]):
            return Refusal.BAD_TAG
        fields = REFLECTOR_AUTH.unpack_from(data)
        rest = data[AUTH_OCTETS:]
    seq, t3, estimate, ssid, t2, sender_seq, t1, sender_estimate, ttl = fields
    error = ErrorEstimate.from_field(estimate)
    if error.corrupt:
        return Refusal.CORRUPT_ESTIMATE
    return StampAnswer(
        seq=seq,
        t3=t3,
        estimate=error,
        ssid=ssid,
        t2=t2,
        sender_seq=sender_seq,
        t1=t1,
        sender_estimate=ErrorEstimate.from_field(sender_estimate),
        sender_ttl=ttl,
        rest=rest,
    )
