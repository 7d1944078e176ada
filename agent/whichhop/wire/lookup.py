"""A DNS question and what an answer to it says: bytes to record and back, RFC 1035.

Only what a lookup's timing needs. A whole DNS library costs the agent 6 MB of memory; the tests read every
packet with one.
"""

import struct
from enum import IntEnum

from msgspec import Struct

_HEADER = struct.Struct("!6H")
_TYPE_AND_CLASS = struct.Struct("!2H")
_CLASS_IN = 1
_RESPONSE, _RECURSION_DESIRED, _TRUNCATED = 0x8000, 0x0100, 0x0200
_OPCODE, _RCODE = 0x7800, 0x000F
LONGEST_NAME_OCTETS = 255
LONGEST_LABEL_OCTETS = 63


class RecordType(IntEnum):
    """The types worth asking for (RFC 1035 3.2.2, RFC 3596)."""

    A = 1
    NS = 2
    AAAA = 28


class LookupQuestion(Struct, frozen=True, kw_only=True):
    """What is asked: a name without or with its final dot, and a type; class IN."""

    name: str
    kind: RecordType = RecordType.A


class LookupAnswer(Struct, frozen=True, kw_only=True):
    """An answer to our question.

    ident: of the question it answers. code: RFC 1035 4.1.1's RCODE. answers: records in the answer section.
    """

    ident: int
    code: int
    answers: int
    truncated: bool

    @property
    def resolved(self) -> bool:
        """True when the resolver did its work: it knows the name (0), or knows that there is none (3).

        A server failure (2), a refusal (5) and the rest are no answer to the one who asked.
        """
        return self.code in (0, 3)


def encode_name(name: str) -> bytes:
    """A name as labels with their lengths (RFC 1035 3.1); "." or "" is the root.

    ValueError for an empty or overlong label, an overlong name, or letters outside ASCII.
    """
    labels = [label.encode("ascii") for label in name.removesuffix(".").split(".")] if name.strip(".") else []
    if any(not 0 < len(label) <= LONGEST_LABEL_OCTETS for label in labels):
        raise ValueError(f"{name!r} is no DNS name: each label has 1 to {LONGEST_LABEL_OCTETS} letters")
    encoded = b"".join(bytes([len(label)]) + label for label in labels) + b"\0"
    if len(encoded) > LONGEST_NAME_OCTETS:
        raise ValueError(f"{name!r} is no DNS name: longer than {LONGEST_NAME_OCTETS} octets")
    return encoded


def encode_question(question: LookupQuestion, ident: int) -> bytes:
    """The packet that asks a recursive resolver; `ident` is 16 bits."""
    body = encode_name(question.name) + _TYPE_AND_CLASS.pack(question.kind, _CLASS_IN)
    return _HEADER.pack(ident, _RECURSION_DESIRED, 1, 0, 0, 0) + body


def decode_answer(packet: bytes, question: LookupQuestion) -> LookupAnswer | None:
    """The answer in a packet, or None when it is not one to this question.

    The question must come back octet for octet but for the case of letters (RFC 4343); a server that could
    not even read it may leave it out (RFC 1035 4.1.1, format error), and then says nothing of ours.
    """
    if len(packet) < _HEADER.size:
        return None
    ident, flags, questions, answers, _, _ = _HEADER.unpack_from(packet)
    asked = encode_question(question, 0)[_HEADER.size :]
    if not flags & _RESPONSE or flags & _OPCODE or questions != 1:
        return None
    if packet[_HEADER.size : _HEADER.size + len(asked)].lower() != asked.lower():
        return None
    return LookupAnswer(ident=ident, code=flags & _RCODE, answers=answers, truncated=bool(flags & _TRUNCATED))
