"""The password-authenticated key exchange of pairing: SPAKE2 (library `spake2`), bound to the TLS connection.

Who does not know the code learns nothing of it from an exchange and has one guess in each (RFC 9382 section
9). The names of both sides hold the certificate that was shown in TLS, so that the two ends find the same key
only when nobody stands between them: a channel binding of the kind tls-server-end-point (RFC 5929 section 4).
The library is written in Python and so not of constant time; a code lives for minutes and for three tries,
too short for anybody to measure it.
"""

import hmac
from dataclasses import dataclass, field
from hashlib import sha256

from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from spake2 import SPAKE2_A, SPAKE2_B, SPAKEError, ed25519_basic

from whichhop.outside import bad, octets_of_hex

_SHARE_OCTETS = 33
"""A side's letter and a point of the curve (Ed25519)."""
_PROOF_OCTETS = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class PairingKeys:
    """What both ends derive of the same code: each shows its own proof (RFC 9382 section 4)."""

    joining: bytes
    inviting: bytes
    machine: bytes
    """What the joining machine signs with its own key: nobody else's signature from another talk fits."""


@dataclass(slots=True)
class PairingSide:
    """One side of one exchange; it is good for one. share: what is sent to the other side, hexadecimal."""

    code: str
    certificate: bytes
    """DER: what the inviting machine shows in TLS, as this side sees it."""
    inviting: bool
    share: str = field(init=False)
    _exchange: SPAKE2_A | SPAKE2_B = field(init=False)

    def __post_init__(self) -> None:
        names = b"whichhop joining 1", b"whichhop inviting 1 " + sha256(self.certificate).digest()
        self._exchange = (SPAKE2_B if self.inviting else SPAKE2_A)(self.code.encode(), *names)
        self.share = self._exchange.start().hex()

    def keys(self, other_share: str) -> PairingKeys:
        """Of the other side's share; OutsideError for one that is none."""
        place = "the other machine's share"
        octets = octets_of_hex(other_share, place, length=_SHARE_OCTETS)
        try:
            shared: bytes = self._exchange.finish(octets)
        # The library complains of what is no point of the curve by exceptions of several kinds.
        except (SPAKEError, ValueError, AssertionError, ed25519_basic.NotOnCurve) as wrong:
            raise bad(place, f"not a share ({type(wrong).__name__})", "try again") from None

        def one(purpose: str) -> bytes:
            hkdf = HKDF(
                algorithm=SHA256(), length=_PROOF_OCTETS, salt=None, info=f"whichhop {purpose}".encode()
            )
            return hkdf.derive(shared)

        return PairingKeys(
            joining=one("pairing proof joining"),
            inviting=one("pairing proof inviting"),
            machine=one("pairing machine"),
        )


def is_proof(given: str, expected: bytes) -> bool:
    """Whether a proof, hexadecimal, is the one expected; compared in constant time."""
    return hmac.compare_digest(given.encode(), expected.hex().encode())
