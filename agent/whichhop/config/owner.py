"""The home's owner: a key that only revokes, sealed by a word that stands on paper and on no machine.

A lost laptop holds everything that its agent needs, and the sealed key too; without the word it can revoke
nobody. The word has 100 random bits, so that guessing it from the file is hopeless, and its sealing slow.
"""

import base64
import secrets
from dataclasses import dataclass
from pathlib import Path

import msgspec
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from cryptography.hazmat.primitives.serialization import (
    BestAvailableEncryption,
    Encoding,
    PrivateFormat,
    load_pem_private_key,
)

from whichhop.config.files import read_small, write_new
from whichhop.config.keys import KeyFileError
from whichhop.outside import typed

_LETTERS, _GROUP = 20, 4
_OCTETS = 13
"""104 bits, of which the word's 20 letters (base 32, RFC 4648 section 6) carry 100."""
MOST_OCTETS = 64 * 1024


@dataclass(frozen=True, slots=True, kw_only=True)
class Owner:
    """public_key: hexadecimal (Ed25519). sealed: the secret half, PEM (PKCS 8), encrypted by the word."""

    public_key: str
    sealed: str


class WordError(KeyFileError):
    """What was typed is not the owner's word."""


def owner_path(home_file: Path) -> Path:
    """Beside the home file, ending in .owner; on every machine of the home."""
    return home_file.with_suffix(".owner")


def _plain(word: str) -> bytes:
    return "".join(word.upper().split()).replace("-", "").encode()


def make_owner(home_file: Path) -> str | None:
    """The owner's word of a home without an owner, to be shown once; None where it has one. WriteError."""
    path = owner_path(home_file)
    if path.exists():
        return None
    letters = base64.b32encode(secrets.token_bytes(_OCTETS)).decode()[:_LETTERS]
    word = "-".join(letters[i : i + _GROUP] for i in range(0, _LETTERS, _GROUP))
    key = Ed25519PrivateKey.generate()
    sealed = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, BestAvailableEncryption(_plain(word)))
    owner = Owner(public_key=key.public_key().public_bytes_raw().hex(), sealed=sealed.decode())
    write_new(path, owner_text(owner), 0o600)
    return word


def owner_text(owner: Owner) -> str:
    """As the file has it, and as it is handed to another machine."""
    return msgspec.json.format(msgspec.json.encode(owner)).decode() + "\n"


def owner_of(text: bytes | str, place: str) -> Owner:
    """Of a file's text; OutsideError when it is none."""
    return typed(text, place, Owner, most=MOST_OCTETS)


def read_owner(home_file: Path) -> Owner | None:
    """The home's owner; None where none was made. ReadError or OutsideError when it cannot be read."""
    path = owner_path(home_file)
    octets = read_small(path, MOST_OCTETS)
    return None if octets is None else owner_of(octets, str(path))


def unsealed(owner: Owner, word: str) -> Ed25519PrivateKey:
    """The owner's secret key; WordError where the word is not the owner's."""
    try:
        key = load_pem_private_key(owner.sealed.encode(), _plain(word))
    except (ValueError, TypeError):
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        raise WordError("that is not the owner's word; `whichhop setup` or `whichhop start` showed it once")
    return key
