"""The answer that says "refused, and why": told to the asker, so that a refusal is never taken for loss.

It is laid out as a STAMP answer (RFC 8762 4.3), but its own error estimate has the multiplier 0, which RFC
4656 4.1.2 calls corrupt: a conforming sender that knows nothing of refusals drops it. The number field holds
our mark and the reason; what the ask carried (number, stamp, session identifier) is sent back, so that only
who saw the ask can make one. It is as long as the base packet; shorter asks are told nothing.
"""

from enum import IntEnum

from msgspec import Struct

from whichhop.model.sample import Fate
from whichhop.wire.stamp import (
    AUTH_OCTETS,
    BASE_OCTETS,
    REFLECTOR,
    REFLECTOR_AUTH,
    SENDER,
    SENDER_AUTH,
    TAGGED_OCTETS,
    tag,
    tag_fits,
)

_MARK = 0x77_68_00
"""Above the reason's octet; a count of answers would reach it after 2,000 million of them."""
_NO_TTL = 255
"""Never 0, so that a refusal is no fresh ask: those have only zeros where it lies."""
_ZEROS, _ZEROS_AUTH = slice(16, BASE_OCTETS), slice(28, TAGGED_OCTETS)
"""Where a STAMP ask has nothing but zeros and an answer has its stamps (RFC 8762, figures 2 to 6)."""


class Reason(IntEnum):
    """Why; the number travels: never renumber."""

    KEY = 1
    """The tag does not fit our key, or there is none where we want one."""
    ADDRESS = 2
    """The key fits, but the home file does not name the address it came from."""
    OTHER = 3
    """Too many at once, or a stamp that is long past though both clocks are said to be right."""


FATES = {Reason.KEY: Fate.REFUSED_KEY, Reason.ADDRESS: Fate.REFUSED_ADDRESS, Reason.OTHER: Fate.REFUSED}


class ToldRefusal(Struct, frozen=True, kw_only=True):
    """A refusal as its asker reads it. `sealed`: by our own key, so that it is the home's own word."""

    reason: Reason
    ssid: int
    sender_seq: int
    t1: int
    sealed: bool


def refusal(ask: bytes, reason: Reason, key: bytes | None) -> bytes | None:
    """What to tell the sender of `ask`; None where nothing may be told.

    Nothing is told to what is too short (it would amplify) or is no fresh ask: with zeros only where answers
    have stamps, two refusing reflectors can never go on answering each other.
    """
    if key is not None and len(ask) >= AUTH_OCTETS:
        if any(ask[_ZEROS_AUTH]):
            return None
        seq, t1, estimate, ssid = SENDER_AUTH.unpack_from(ask)
        base = REFLECTOR_AUTH.pack(_MARK << 8 | reason, 0, 0, ssid, 0, seq, t1, estimate, _NO_TTL)
        return base + tag(key, base)
    if len(ask) < BASE_OCTETS or any(ask[_ZEROS]):
        return None
    seq, t1, estimate, ssid = SENDER.unpack_from(ask)
    return REFLECTOR.pack(_MARK << 8 | reason, 0, 0, ssid, 0, seq, t1, estimate, _NO_TTL)


def read_refusal(data: bytes, key: bytes | None) -> ToldRefusal | None:
    """The refusal in a datagram; None when it is none, or one that another key's holder may not give.

    A tag that does not fit is expected of one reason alone: the other end has another key.
    """
    sealed = False
    if len(data) == AUTH_OCTETS and key is not None:
        fields = REFLECTOR_AUTH.unpack_from(data)
        sealed = tag_fits(key, data[:TAGGED_OCTETS], data[TAGGED_OCTETS:])
    elif len(data) == BASE_OCTETS and key is None:
        fields = REFLECTOR.unpack_from(data)
    else:
        return None
    number, t3, estimate, ssid, t2, sender_seq, t1, _sender_estimate, ttl = fields
    if number >> 8 != _MARK or t3 or t2 or estimate or ttl != _NO_TTL:
        return None
    try:
        reason = Reason(number & 0xFF)
    except ValueError:
        reason = Reason.OTHER  # of a newer version
    if key is not None and not sealed and reason is not Reason.KEY:
        return None
    return ToldRefusal(reason=reason, ssid=ssid, sender_seq=sender_seq, t1=t1, sealed=sealed)
