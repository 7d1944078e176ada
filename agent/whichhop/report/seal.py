"""Signs a finished page or paper and tells a changed one: Ed25519 (RFC 8032) over all before the seal."""

import base64
import hashlib
import re

import msgspec
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from msgspec import Struct

from whichhop.errors import DataError
from whichhop.model.chain_signature import ChainSignature, signed_octets

OPEN, CLOSE = "<!-- whichhop seal ", " -->\n"
PURPOSE = b"whichhop report 1\0"
PAPER_OPEN, PAPER_CLOSE = b"% whichhop seal ", b"\n"
"""Behind a PDF's last line: a comment by its own grammar (ISO 32000-1, 7.2.4), which readers pass over."""
READERS_LOOK_BACK = 1024
"""Readers want the end mark of a PDF within so many of its last octets (ISO 32000-1, annex H.3.18)."""
DATA_PURPOSE = b"whichhop report data 1\0"


class Seal(Struct, frozen=True, kw_only=True):
    """What stands after the page. sha256: of the page, in hexadecimal. public_key, signature: hexadecimal,
    None when not signed. time_response: an RFC 3161 response over the page's digest, base64."""

    sha256: str
    public_key: str | None = None
    signature: str | None = None
    time_response: str | None = None


def public_half(secret: bytes) -> str:
    """The public key of a 32-octet secret, hexadecimal."""
    return Ed25519PrivateKey.from_private_bytes(secret).public_key().public_bytes_raw().hex()


def _octets(report: str | bytes) -> bytes:
    return report.encode() if isinstance(report, str) else report


def data_signature(data: bytes, secret: bytes) -> str:
    """The signature of a report's data alone, which can be printed; hexadecimal."""
    digest = hashlib.sha256(data).digest()
    return Ed25519PrivateKey.from_private_bytes(secret).sign(DATA_PURPOSE + digest).hex()


def data_signed(data: bytes, signature: str, public_key: str) -> bool:
    """True when that key signed that data."""
    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key))
        key.verify(bytes.fromhex(signature), DATA_PURPOSE + hashlib.sha256(data).digest())
    except (ValueError, InvalidSignature):
        return False
    return True


def chain_signed(origin: str, said: ChainSignature) -> bool:
    """True when the key that a chain's signature names has signed just that head."""
    try:
        what = signed_octets(bytes.fromhex(origin), said.seq, bytes.fromhex(said.head), said.at_ns)
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(said.public_key))
        key.verify(bytes.fromhex(said.signature), what)
    except (ValueError, OverflowError, InvalidSignature):
        return False
    return True


def seal_of(report: str | bytes, secret: bytes | None) -> Seal:
    """The seal of a page or a PDF; without a secret only its digest."""
    digest = hashlib.sha256(_octets(report))
    if secret is None:
        return Seal(sha256=digest.hexdigest())
    signature = Ed25519PrivateKey.from_private_bytes(secret).sign(PURPOSE + digest.digest())
    return Seal(sha256=digest.hexdigest(), public_key=public_half(secret), signature=signature.hex())


def sealed(page: str, seal: Seal) -> str:
    """The page with its seal behind it."""
    return page + OPEN + base64.b64encode(msgspec.json.encode(seal)).decode() + CLOSE


def sealed_paper(pdf: bytes, seal: Seal) -> bytes:
    """The PDF with its seal behind it."""
    line = PAPER_OPEN + base64.b64encode(msgspec.json.encode(seal)) + PAPER_CLOSE
    if len(line) > READERS_LOOK_BACK - 64:
        raise ValueError(f"a seal of {len(line)} octets would hide the PDF's end from its readers")
    return pdf + line


def unsealed_paper(data: bytes, place: str) -> tuple[bytes, Seal | None]:
    """PDF and seal of a file; None when it carries no seal. DataError when the seal is damaged."""
    pdf, found, rest = data.rpartition(PAPER_OPEN)
    if not found:
        return data, None
    if not rest.endswith(PAPER_CLOSE) or rest.count(PAPER_CLOSE) != 1:
        raise DataError(f"{place}: something stands behind its seal; get the report again")
    return pdf, _seal(rest.removesuffix(PAPER_CLOSE), place)


def unsealed(text: str, place: str) -> tuple[str, Seal | None]:
    """Page and seal of a file; None when it carries no seal. DataError when the seal is damaged."""
    page, found, rest = text.rpartition(OPEN)
    if not found:
        return text, None
    if not rest.endswith(CLOSE) or rest.count(CLOSE) != 1:
        raise DataError(f"{place}: something stands behind its seal; get the report again")
    return page, _seal(rest.removesuffix(CLOSE).encode(), place)


def _seal(text: bytes, place: str) -> Seal:
    try:
        found = msgspec.json.decode(base64.b64decode(text, validate=True), type=Seal)
    except (ValueError, msgspec.MsgspecError):
        raise DataError(f"{place}: its seal cannot be read; get the report again") from None
    # One way to write it, so that no octet is free: hexadecimal too, which may have capitals and spaces.
    hexadecimal = ((found.sha256, 64), (found.public_key, 64), (found.signature, 128))
    plain = all(t is None or re.fullmatch(f"[0-9a-f]{{{n}}}", t) for t, n in hexadecimal)
    if not plain or base64.b64encode(msgspec.json.encode(found)) != text:
        raise DataError(f"{place}: its seal was written by something else; get the report again")
    return found


def trouble(page: str | bytes, seal: Seal | None, known_key: str | None) -> str:
    """What is wrong with a report's seal, empty when it holds. known_key: the key the report itself names."""
    if seal is None:
        return "the report carries no seal"
    digest = hashlib.sha256(_octets(page))
    if digest.hexdigest() != seal.sha256:
        return "the report was changed after it was sealed"
    if known_key is None and seal.signature is None:
        return ""
    if seal.signature is None or seal.public_key is None or seal.public_key != known_key:
        return "the signature is not by the key that the report names"
    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(seal.public_key))
        key.verify(bytes.fromhex(seal.signature), PURPOSE + digest.digest())
    except (ValueError, InvalidSignature):
        return "the signature does not fit the report"
    return ""
