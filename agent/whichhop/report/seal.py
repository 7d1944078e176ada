"""Signs a finished page and tells a changed one: Ed25519 (RFC 8032) over all that stands before the seal."""

import base64
import hashlib
from dataclasses import dataclass

import msgspec
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from whichhop.errors import DataError

OPEN, CLOSE = "<!-- whichhop seal ", " -->\n"
PURPOSE = b"whichhop report 1\0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """What stands after the page. sha256: of the page, in hexadecimal. public_key, signature: hexadecimal,
    None when not signed. time_response: an RFC 3161 response over the page's digest, base64."""

    sha256: str
    public_key: str | None = None
    signature: str | None = None
    time_response: str | None = None


def public_half(secret: bytes) -> str:
    """The public key of a 32-octet secret, hexadecimal."""
    return Ed25519PrivateKey.from_private_bytes(secret).public_key().public_bytes_raw().hex()


def seal_of(page: str, secret: bytes | None) -> Seal:
    """The seal of a page; without a secret only its digest."""
    digest = hashlib.sha256(page.encode())
    if secret is None:
        return Seal(sha256=digest.hexdigest())
    signature = Ed25519PrivateKey.from_private_bytes(secret).sign(PURPOSE + digest.digest())
    return Seal(sha256=digest.hexdigest(), public_key=public_half(secret), signature=signature.hex())


def sealed(page: str, seal: Seal) -> str:
    """The page with its seal behind it."""
    return page + OPEN + base64.b64encode(msgspec.json.encode(seal)).decode() + CLOSE


def unsealed(text: str, place: str) -> tuple[str, Seal | None]:
    """Page and seal of a file; None when it carries no seal. DataError when the seal is damaged."""
    page, found, rest = text.rpartition(OPEN)
    if not found:
        return text, None
    if not rest.endswith(CLOSE) or rest.count(CLOSE) != 1:
        raise DataError(f"{place}: something stands behind its seal; get the report anew")
    try:
        return page, msgspec.json.decode(base64.b64decode(rest.removesuffix(CLOSE), validate=True), type=Seal)
    except (ValueError, msgspec.MsgspecError):
        raise DataError(f"{place}: its seal cannot be read; get the report anew") from None


def trouble(page: str, seal: Seal | None, known_key: str | None) -> str:
    """What is wrong with a page's seal, empty when it holds. known_key: the key the page itself names."""
    if seal is None:
        return "the report carries no seal"
    digest = hashlib.sha256(page.encode())
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
