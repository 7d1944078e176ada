"""The home key: one secret shared by a home's agents, from which a key for each purpose is derived."""

import base64
import binascii
import os
import secrets
from collections.abc import Mapping
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from msgspec import Struct

from whichhop.config.credentials import open_to_others
from whichhop.config.files import WriteError, write_new
from whichhop.errors import WhichhopError

KEY_OCTETS = 32
LONGEST_KEY_FILE = 1_000
"""Octets read of a file that is to hold a key; one has 45."""


class KeyFileError(WhichhopError):
    """The key file is missing, malformed or open to others."""


class PurposeKeys(Struct, frozen=True, kw_only=True):
    """A 32-octet key a purpose, so that one that leaks opens nothing else."""

    api: bytes
    stamp: bytes
    transfer: bytes
    evidence: bytes
    """The secret half of the key that signs reports (Ed25519)."""
    identity: bytes
    """By which an agent proves to another that it holds the home's key."""
    page: bytes
    """From which the password of a closed page is made."""

    @property
    def page_password(self) -> str:
        """What a person types to see a closed page: 80 bits in four groups (base 32, RFC 4648 section 6)."""
        letters = base64.b32encode(self.page).decode().lower()
        return "-".join(letters[i : i + 4] for i in range(0, 16, 4))

    @property
    def maker(self) -> str:
        """The public half of the key that signs reports, hexadecimal."""
        return Ed25519PrivateKey.from_private_bytes(self.evidence).public_key().public_bytes_raw().hex()

    @property
    def api_token(self) -> str:
        """The bearer token of the agents' API."""
        return self.api.hex()


def key_path_for(home_file: Path) -> Path:
    """Where a home's key stands unless told otherwise: beside the home file, ending in .key."""
    return home_file.with_suffix(".key")


def derive_keys(home_key: bytes) -> PurposeKeys:
    """A key a purpose, by HKDF with SHA-256 (RFC 5869), no salt, the purpose as info."""

    def one(purpose: str) -> bytes:
        hkdf = HKDF(algorithm=SHA256(), length=KEY_OCTETS, salt=None, info=f"whichhop {purpose}".encode())
        return hkdf.derive(home_key)

    return PurposeKeys(
        api=one("api"),
        stamp=one("stamp"),
        transfer=one("transfer"),
        evidence=one("evidence"),
        identity=one("identity"),
        page=one("page"),
    )


def key_text(key: bytes) -> str:
    """A key as its file and a message hold it: base64."""
    return base64.b64encode(key).decode()


def create_key(path: Path) -> None:
    """Write a new home key that only its owner can read; KeyFileError rather than replace one."""
    try:
        write_new(path, key_text(secrets.token_bytes(KEY_OCTETS)) + "\n", 0o600)
    except WriteError as trouble:
        if isinstance(trouble.__cause__, FileExistsError):
            raise KeyFileError(
                f"{path}: a key is there already; remove it first if it must be replaced"
            ) from None
        raise KeyFileError(str(trouble)) from trouble


def read_key(path: Path, environ: Mapping[str, str] = os.environ) -> bytes:
    """The 32 octets of a key file; KeyFileError when missing, open to others, or not a key."""
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode  # of what is read, wherever a link may lead a moment later
            text = file.read(LONGEST_KEY_FILE + 1).decode("ascii", "replace")
    except FileNotFoundError:
        raise KeyFileError(
            f"{path}: no key there; make one with `whichhop setup HOME` and copy it to every agent"
        ) from None
    except OSError as trouble:
        raise KeyFileError(f"{path}: cannot be read: {trouble.strerror}; check its owner") from trouble
    if open_to_others(path, mode, environ=environ):
        raise KeyFileError(f"{path}: others may read or write it; run: chmod 600 {path}")
    return key_of_text(text, str(path))


def key_of_text(text: str, place: str) -> bytes:
    """The 32 octets that a key's text holds; KeyFileError, naming the place, when it holds none."""
    try:
        key = base64.b64decode(text.strip(), validate=True)
    except (binascii.Error, ValueError):
        key = b""
    if len(key) != KEY_OCTETS:
        raise KeyFileError(f"{place}: not a home key ({KEY_OCTETS} octets in base64); copy it again")
    return key
