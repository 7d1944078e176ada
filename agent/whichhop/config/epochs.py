"""The home's owner, and what the owner signed: which home key is in force, and whose agents were revoked.

A lost laptop holds everything that its agent needs, and the sealed key too; without the word it can revoke
nobody. The word has 100 random bits, so that guessing it from the file is hopeless, and its sealing slow.

Each revocation begins an epoch with a new home key. The statement names its number, a digest of that key and
all who were revoked so far; who has the owner's public key believes it from anybody, and nothing older.
"""

import base64
import os
import secrets
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import Annotated

import msgspec
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from msgspec import Struct
from msgspec.structs import replace

from whichhop.config.files import WriteError, read_small, replace_files, write_new
from whichhop.config.identity import public_key_of
from whichhop.config.keys import KEY_OCTETS, KeyFileError, key_path_for, key_text, read_key
from whichhop.config.known_agents import known_agents_path, read_known
from whichhop.model import Home
from whichhop.outside import INT64, typed

_LETTERS, _GROUP = 20, 4
_OCTETS = 13
"""104 bits, of which the word's 20 letters (base 32, RFC 4648 section 6) carry 100."""
_MOST_SEALED = 64 * 1024

VARIABLE = "WHICHHOP_EPOCH"
"""Of a daemon's children: the statement's path, where it stands beside the records and not the home file."""
MOST_OCTETS = 256 * 1024
COPY_IT = "copy it again from another machine of the home, which must run the same version"
_SIGNED = b"whichhop epoch 1\0"
_KEY = b"whichhop epoch key 1\0"


class Owner(Struct, frozen=True, kw_only=True):
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
    """The owner's word of a home without an owner, to be shown once; None where it has one.

    WriteError; ReadError or OutsideError where it has one that nobody can read, and so could revoke nobody.
    """
    # What seals and opens is loaded for that alone: many short processes ask which key is in force.
    from cryptography.hazmat.primitives import serialization as form  # noqa: PLC0415

    path = owner_path(home_file)
    if read_owner(home_file) is not None:
        return None
    letters = base64.b32encode(secrets.token_bytes(_OCTETS)).decode()[:_LETTERS]
    word = "-".join(letters[i : i + _GROUP] for i in range(0, _LETTERS, _GROUP))
    key = Ed25519PrivateKey.generate()
    sealing = form.BestAvailableEncryption(_plain(word))
    sealed = key.private_bytes(form.Encoding.PEM, form.PrivateFormat.PKCS8, sealing)
    owner = Owner(public_key=key.public_key().public_bytes_raw().hex(), sealed=sealed.decode())
    write_new(path, owner_text(owner), 0o600)
    return word


def owner_text(owner: Owner) -> str:
    """As the file has it, and as it is handed to another machine."""
    return msgspec.json.format(msgspec.json.encode(owner)).decode() + "\n"


def owner_of(text: bytes | str, place: str) -> Owner:
    """Of a file's text; OutsideError when it is none."""
    return typed(text, place, Owner, most=_MOST_SEALED, remedy=COPY_IT)


def read_owner(home_file: Path) -> Owner | None:
    """The home's owner; None where none was made. ReadError or OutsideError when it cannot be read."""
    path = owner_path(home_file)
    octets = read_small(path, _MOST_SEALED)
    return None if octets is None else owner_of(octets, str(path))


def unsealed(owner: Owner, word: str) -> Ed25519PrivateKey:
    """The owner's secret key; WordError where the word is not the owner's."""
    from cryptography.hazmat.primitives.serialization import load_pem_private_key  # noqa: PLC0415

    try:
        key = load_pem_private_key(owner.sealed.encode(), _plain(word))
    except (ValueError, TypeError):
        key = None
    if not isinstance(key, Ed25519PrivateKey):
        raise WordError("that is not the owner's word; `whichhop setup` or `whichhop start` showed it once")
    return key


class Revoked(msgspec.Struct, frozen=True, kw_only=True):
    """An agent that is of the home no more. key: its own, hexadecimal, "" where it was never met."""

    agent: Annotated[str, msgspec.Meta(max_length=64)]
    key: Annotated[str, msgspec.Meta(max_length=64, pattern="^[0-9a-f]*$")]
    at_s: Annotated[int, msgspec.Meta(ge=0, le=INT64)]


class Epoch(msgspec.Struct, frozen=True, kw_only=True):
    """A statement. number: 0 before anybody was revoked. key_digest: of the home key that is in force."""

    number: Annotated[int, msgspec.Meta(ge=0, le=INT64)] = 0
    revoked: tuple[Revoked, ...] = ()
    key_digest: Annotated[str, msgspec.Meta(max_length=64)] = ""
    signature: Annotated[str, msgspec.Meta(max_length=128, pattern="^[0-9a-f]*$")] = ""


NONE = Epoch()


class InForce(Struct, frozen=True, kw_only=True):
    """The home key, its statement, and the file that the key stands in."""

    key: bytes
    epoch: Epoch
    key_file: Path


def epoch_path(home_file: Path) -> Path:
    """Beside the home file, ending in .revoked."""
    return home_file.with_suffix(".revoked")


def key_digest(key: bytes) -> str:
    """By which a statement names a home key without telling it."""
    return sha256(_KEY + key).hexdigest()


def _octets(epoch: Epoch) -> bytes:
    return _SIGNED + msgspec.json.encode(msgspec.structs.replace(epoch, signature=""))


def next_epoch(old: Epoch, revoked: Revoked, owner: Ed25519PrivateKey) -> tuple[Epoch, bytes]:
    """The statement that revokes one more, and the new home key."""
    key = secrets.token_bytes(KEY_OCTETS)
    unsigned = Epoch(
        number=old.number + 1, revoked=(*old.revoked, revoked), key_digest=key_digest(key), signature=""
    )
    return msgspec.structs.replace(unsigned, signature=owner.sign(_octets(unsigned)).hex()), key


def is_owners(epoch: Epoch, owner: Owner | None) -> bool:
    """Whether the owner signed the statement; the one before any revocation needs no signature."""
    if epoch == NONE:
        return True
    if owner is None:
        return False
    try:
        key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(owner.public_key))
        key.verify(bytes.fromhex(epoch.signature), _octets(epoch))
    except (InvalidSignature, ValueError):
        return False
    return True


def epoch_text(epoch: Epoch) -> str:
    """As the file has it."""
    return msgspec.json.format(msgspec.json.encode(epoch)).decode() + "\n"


def epoch_of(text: bytes | str, place: str) -> Epoch:
    """Of a text; OutsideError when it is none. Who signed it is not looked at."""
    return typed(text, place, Epoch, most=MOST_OCTETS, remedy=COPY_IT)


def read_epoch(path: Path) -> Epoch:
    """Of a file; NONE without one. ReadError or OutsideError when it cannot be read."""
    octets = read_small(path, MOST_OCTETS)
    return NONE if octets is None else epoch_of(octets, str(path))


def in_force(home_file: Path, key_file: Path | None, identity_file: Path | None = None) -> InForce:
    """The newest of what stands beside the home file and beside the records; KeyFileError without any.

    identity_file: the agent's own key, which stands beside its records.
    """
    first = InForce(
        key=read_key(key_file or key_path_for(home_file)),
        epoch=read_epoch(epoch_path(home_file)),
        key_file=key_file or key_path_for(home_file),
    )
    if first.epoch.number and key_digest(first.key) != first.epoch.key_digest:
        raise KeyFileError(
            f"{first.key_file}: is not the key that {epoch_path(home_file)} names; copy both from one machine"
        )
    if identity_file is None:
        return first
    beside = read_epoch(epoch_path(identity_file))
    if beside.number <= first.epoch.number:
        return first
    path = key_path_for(identity_file)
    return InForce(key=read_key(path), epoch=beside, key_file=path)


def put_in_force(
    epoch: Epoch, key: bytes, home_file: Path, key_file: Path | None, identity_file: Path | None
) -> Path:
    """Keep a key and its statement beside the home file, or else beside the records; where the statement is.

    Both or neither: who revoked and kept only the new key would be a stranger to every other agent. In the
    moment between, the key goes first: a statement without its key would lock an agent out, a new key without
    its statement is only asked for again. WriteError, and nothing has changed, when they cannot be written.
    """

    def keep(key_file: Path, statement: Path) -> Path:
        replace_files([(key_file, key_text(key) + "\n"), (statement, epoch_text(epoch))])
        return statement

    try:
        return keep(key_file or key_path_for(home_file), epoch_path(home_file))
    except WriteError:
        if identity_file is None:
            raise
        return keep(key_path_for(identity_file), epoch_path(identity_file))


def revoked_names(home_file: Path, environ: Mapping[str, str] = os.environ) -> set[str]:
    """Agents of the home file that are revoked, unless they were invited again since, with another key."""
    epoch = read_epoch(Path(environ.get(VARIABLE) or epoch_path(home_file)))
    if not epoch.revoked:
        return set()
    known = read_known(known_agents_path(home_file)).certificates
    keys = {one.key for one in epoch.revoked}
    names = {one.agent for one in epoch.revoked}
    return {name for name in names if name not in known or public_key_of(known[name]) in keys}


def without_revoked(home: Home, names: set[str]) -> Home:
    """The home in which these run no agent any more, and are not probed: what they measured stays."""
    gone = {"agent": False, "stamp": False, "moves": False, "address": None, "revoked": True}
    nodes = {name: replace(node, **gone) if name in names else node for name, node in home.nodes.items()}
    return replace(home, nodes=nodes)
