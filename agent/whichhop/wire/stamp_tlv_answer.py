"""What a STAMP reflector does with an ask's extensions (RFC 8972 4): fill in, flag, copy.

The answer's extensions take exactly as many octets as the ask's, so that a reflector never amplifies.
"""

from msgspec import Struct

from whichhop.wire.stamp import tag
from whichhop.wire.stamp_tlv import (
    HEADER_OCTETS,
    INTEGRITY_FAILED,
    MALFORMED,
    NO_FOLLOW_UP,
    NO_INFORMATION,
    UNDERSTOOD_NOT,
    ClassOfService,
    DirectMeasurement,
    FollowUp,
    TimestampInformation,
    Tlv,
    TlvType,
    pack,
    seal_fits,
    split,
)

_RESERVED = 0
_KNOWN = frozenset(TlvType) - {TlvType.LOCATION}
"""Types we understand. Location would tell the sender addresses that are nobody's business (RFC 8972 6)."""


class ReflectorFacts(Struct, frozen=True, kw_only=True):
    """What the reflector knows of this one exchange.

    dscp, ecn: of the ask as it arrived. received, sent: packets of this session, this ask and answer
        included.
    """

    ask_seq: int
    answer_seq: int
    dscp: int = 0
    ecn: int = 0
    received: int = 0
    sent: int = 0
    follow_up: FollowUp = NO_FOLLOW_UP
    information: TimestampInformation = NO_INFORMATION


def _fill(tlv: Tlv, facts: ReflectorFacts) -> Tlv:
    """One well-formed extension with its answer; an unknown or opaque one keeps its value and flag U."""
    filled: Tlv | None = None
    match tlv.type:
        case TlvType.EXTRA_PADDING | TlvType.ACCESS_REPORT:
            filled = Tlv(type=tlv.type, value=tlv.value, flags=0)
        case TlvType.TIMESTAMP_INFORMATION:
            filled = facts.information.tlv(flags=0)
        case TlvType.FOLLOW_UP_TELEMETRY:
            filled = facts.follow_up.tlv(flags=0)
        case TlvType.CLASS_OF_SERVICE:
            asked = ClassOfService.read(tlv.value)
            if isinstance(asked, ClassOfService):
                filled = _classes(asked, facts).tlv(flags=0)
        case TlvType.DIRECT_MEASUREMENT:
            counts = DirectMeasurement.read(tlv.value)
            if isinstance(counts, DirectMeasurement):
                filled = DirectMeasurement(
                    sender_sent=counts.sender_sent,
                    reflector_received=facts.received,
                    reflector_sent=facts.sent,
                ).tlv(flags=0)
    return filled or Tlv(type=tlv.type, value=tlv.value, flags=UNDERSTOOD_NOT)


def _classes(asked: ClassOfService, facts: ReflectorFacts) -> ClassOfService:
    """Report the classes seen. We answer with DSCP 0; any other that is wanted is refused by RP = 1 (4.4)."""
    return ClassOfService(dscp1=asked.dscp1, dscp2=facts.dscp, ecn=facts.ecn, refused=1 if asked.dscp1 else 0)


def _is_padding(rest: bytes) -> bool:
    """True for octets that are no extensions: too few for a header, or of reserved type 0, as zeros are."""
    return len(rest) < HEADER_OCTETS or rest[1] == _RESERVED


def answer_extensions(rest: bytes, facts: ReflectorFacts, key: bytes | None) -> bytes:
    """The octets behind the answer's base for those behind the ask's; as many, and never an error.

    Padding that is no extension is copied (RFC 8762 4.6). With a key, extensions whose HMAC TLV is absent
    or does not fit all get flag I and no answer. From the first malformed one, which gets flag M, all is
    copied. Without a key an HMAC TLV is one more thing not understood.
    """
    if _is_padding(rest):
        return rest
    cut = split(rest)
    left = cut.left
    if len(left) >= HEADER_OCTETS:
        unknown = left[0] & UNDERSTOOD_NOT if left[1] not in _KNOWN else 0
        left = bytes((left[0] & ~UNDERSTOOD_NOT | unknown | MALFORMED,)) + left[1:]
    if (
        key is not None
        and (cut.tlvs or len(left) >= HEADER_OCTETS)
        and not seal_fits(cut.tlvs, facts.ask_seq, key)
    ):
        flagged = (Tlv(type=t.type, value=t.value, flags=t.flags | INTEGRITY_FAILED) for t in cut.tlvs)
        return pack(flagged) + left
    done: list[Tlv] = []
    for tlv in cut.tlvs:
        if tlv.type == TlvType.HMAC and key is not None:
            code = tag(key, facts.answer_seq.to_bytes(4) + pack(done))
            done.append(Tlv(type=TlvType.HMAC, value=code, flags=0))
        else:
            done.append(_fill(tlv, facts))
    return pack(done) + left
