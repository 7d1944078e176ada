"""An agent's own key, made at its first run, never leaving its machine: its name in TLS, its hand.

What makes and reads certificates is loaded by who does so: it is a fifth of the work of a short process that
only signs, or meets an agent.
"""

import base64
import binascii
import hmac
import secrets
from datetime import UTC, datetime
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from msgspec import Struct

from whichhop.config.files import WriteError, read_small, write_new
from whichhop.config.keys import KEY_OCTETS, LONGEST_KEY_FILE, KeyFileError, key_text
from whichhop.outside import bad, reading

_FIRST, _LAST = datetime(1970, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, tzinfo=UTC)
"""For ever: the certificate is trusted by its own octets, and a small box may not know what year it is."""
_PROOF = b"whichhop identity 1\0"


class Identity(Struct, frozen=True, kw_only=True):
    """certificate, secret: PEM, what TLS wants. public_key: hexadecimal, what a person compares."""

    certificate: str
    secret: str
    public_key: str


def _first_written(path: Path) -> bytes:
    """A new key at a place where none stands; another's where a second program was quicker."""
    try:
        write_new(path, key_text(secrets.token_bytes(KEY_OCTETS)) + "\n", 0o600)
    except WriteError as why:
        if not isinstance(why.__cause__, FileExistsError):
            raise KeyFileError(f"the agent's own key: {why}") from why
    return read_small(path, LONGEST_KEY_FILE) or b""


def _seed(path: Path) -> bytes:
    """The 32 octets in a file that only its owner can read, made when it is not there."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        found = read_small(path, LONGEST_KEY_FILE)
        if found is None:
            found = _first_written(path)
        seed = base64.b64decode(found.strip(), validate=True)
    except OSError as why:
        raise KeyFileError(
            f"{path}: the agent's own key cannot be written: {why.strerror}; make its folder writable"
        ) from why
    except (binascii.Error, ValueError):
        seed = b""
    if len(seed) != KEY_OCTETS:
        raise KeyFileError(f"{path}: not an agent's key; remove it, and the agent makes a new one")
    return seed


def signing_key(path: Path) -> Ed25519PrivateKey:
    """The agent's private key (RFC 8032); KeyFileError when it can be neither read nor made."""
    return Ed25519PrivateKey.from_private_bytes(_seed(path))


def identity_at(path: Path, agent: str) -> Identity:
    """The agent's key with a certificate it signs for itself: always the same octets for the same key."""
    return _identity(signing_key(path), agent)


def passing_identity() -> Identity:
    """A key of this moment, kept nowhere: for a connection whose ends know each other by something else."""
    return _identity(Ed25519PrivateKey.generate(), "passing")


def _identity(key: Ed25519PrivateKey, agent: str) -> Identity:
    from cryptography import x509  # noqa: PLC0415
    from cryptography.hazmat.primitives import serialization as form  # noqa: PLC0415

    public = key.public_key().public_bytes_raw()
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, agent[:60] or "agent")])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(int.from_bytes(public[:16]) >> 1 | 1)
        .not_valid_before(_FIRST)
        .not_valid_after(_LAST)
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .sign(key, None)
    )
    return Identity(
        certificate=made.public_bytes(form.Encoding.PEM).decode(),
        secret=key.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, form.NoEncryption()).decode(),
        public_key=public.hex(),
    )


def public_key_of(certificate: str) -> str:
    """The key that an agent's certificate (PEM) is of, hexadecimal; OutsideError when it is no such thing."""
    from cryptography import x509  # noqa: PLC0415

    with reading("the agent's certificate", "do both run the same version?"):
        key = x509.load_pem_x509_certificate(certificate.encode()).public_key()
    if not isinstance(key, Ed25519PublicKey):
        raise bad("the agent's certificate", "not of an agent's kind of key", "do both run the same version?")
    return key.public_bytes_raw().hex()


def is_signed(certificate: str, signature: str, said: bytes) -> bool:
    """Whether the holder of a certificate's key signed this (RFC 8032); OutsideError as `public_key_of`."""
    key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(public_key_of(certificate)))
    try:
        key.verify(bytes.fromhex(signature), said)
    except (InvalidSignature, ValueError):
        return False
    return True


def proof_of(key: bytes, agent: str, certificate: str) -> str:
    """What shows that a certificate is of an agent that holds the home's key; hexadecimal.

    Only who holds that key too can make or check it: whoever merely has the agent's address cannot.
    """
    return hmac.digest(key, _PROOF + agent.encode() + b"\0" + certificate.encode(), "sha256").hex()
