"""The password-authenticated key exchange of pairing: SPAKE2 (library `spake2`), bound to the TLS connection.

Who does not know the code learns nothing of it from an exchange and has one guess in each (RFC 9382 section
9). The names of both sides hold the certificate that was shown in TLS, so that the two ends find the same key
only when nobody stands between them: a channel binding of the kind tls-server-end-point (RFC 5929 section 4).
The library is written in Python and so not of constant time; a code lives for minutes and for three tries,
too short for anybody to measure it.
"""

import hmac
from collections.abc import Callable
from dataclasses import dataclass, field
from hashlib import sha256

from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from msgspec import Struct
from spake2 import SPAKE2_A, SPAKE2_B, SPAKEError, ed25519_basic

from whichhop.errors import WhichhopError
from whichhop.outside import bad, octets_of_hex

_SHARE_OCTETS = 33
"""A side's letter and a point of the curve (Ed25519)."""
_PROOF_OCTETS = 32


class PairingKeys(Struct, frozen=True, kw_only=True):
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


LETTERS = "23456789ABCDEFGHJKLMNPQRSTVWXYZ"
"""31 letters: none that is taken for another (0 O, 1 I, U V). A prime number of them, so that the last
letter tells every single wrong one and every two that changed places (a weighted sum, as in ISBN-10)."""
DRAWN = 8
"""31 to the 8th are 2 to the 39.6: with three tries nobody has more than one chance in 280,000 million."""
_GROUP = 3


class CodeError(WhichhopError):
    """What was typed is no code; the text says why. It cost no try."""


def _last(drawn: str) -> str:
    total = sum(weight * LETTERS.index(letter) for weight, letter in enumerate(drawn, 1))
    return LETTERS[total % len(LETTERS)]


def make_code(below: Callable[[int], int]) -> str:
    """A new code as it is shown: `K7M-2QX-9RT`. below: a secret whole number below the one given."""
    drawn = "".join(LETTERS[below(len(LETTERS))] for _ in range(DRAWN))
    whole = drawn + _last(drawn)
    return "-".join(whole[i : i + _GROUP] for i in range(0, len(whole), _GROUP))


def read_code(typed: str) -> str:
    """The code's letters, however they are spaced and cased; CodeError for what can be no code."""
    bare = "".join(letter for letter in typed.upper() if not letter.isspace() and letter != "-")
    strange = sorted({letter for letter in bare if letter not in LETTERS})
    if strange:
        raise CodeError(f"{strange[0]!r} is in no code; type the {DRAWN + 1} letters and digits as shown")
    if len(bare) != DRAWN + 1:
        raise CodeError(f"{len(bare)} letters are no code; type the {DRAWN + 1} letters and digits as shown")
    if bare[-1] != _last(bare[:-1]):
        raise CodeError("a letter of the code is wrong or two changed places; look at it and type it again")
    return bare
