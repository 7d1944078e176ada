"""Keys as people compare them by voice, and an agent's own signature under its chain."""

import base64
import hashlib
import re

from msgspec import Struct

_KEY, _SIGNATURE = re.compile("[0-9a-f]{64}"), re.compile("[0-9a-f]{128}")

_GROUP, _LETTERS = 4, 20
"""Five groups of four letters: 100 bits, beyond anybody's power to find a second key that has the same."""


class ChainSignature(Struct, frozen=True, kw_only=True):
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


def fingerprint(public_key: str) -> str:
    """Of a public key in hexadecimal: `ABCD-EFGH-...`, base 32 (RFC 4648 section 6) of its SHA-256."""
    digest = hashlib.sha256(b"whichhop key 1\0" + bytes.fromhex(public_key)).digest()
    letters = base64.b32encode(digest).decode()[:_LETTERS]
    return "-".join(letters[i : i + _GROUP] for i in range(0, _LETTERS, _GROUP))


def same_key(public_key: str, named: str) -> bool:
    """True when `named`, a fingerprint or a whole key however it is spaced and cased, is this key's."""
    bare = "".join(named.upper().split()).replace("-", "")
    return bare in (fingerprint(public_key).replace("-", ""), public_key.upper())
