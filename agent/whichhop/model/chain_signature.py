"""An agent's own signature under its chain of records: from then on nobody else can change what it covers."""

import re
from dataclasses import dataclass

_KEY, _SIGNATURE = re.compile("[0-9a-f]{64}"), re.compile("[0-9a-f]{128}")


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainSignature:
    """The head after record `seq`, when it was signed (UTC), by which key (Ed25519, RFC 8032); in hex."""

    seq: int
    head: str
    at_ns: int
    public_key: str
    signature: str

    @property
    def sound(self) -> bool:
        """Whether every part has the form it must have; what is signed is not looked at."""
        return (
            0 < self.seq < 2**62
            and 0 <= self.at_ns < 2**63
            and all(_KEY.fullmatch(text) is not None for text in (self.head, self.public_key))
            and _SIGNATURE.fullmatch(self.signature) is not None
        )


def signed_octets(origin: bytes, seq: int, head: bytes, at_ns: int) -> bytes:
    """What is signed. The chain's origin stands for the agent: a report with stand-ins holds too."""
    return b"whichhop chain head 1\0" + origin + seq.to_bytes(8) + head + at_ns.to_bytes(8)
