"""Reads who asks an SNMPv3 agent: a user with its two passwords, from a file of its own beside the home file.

Lines of NAME: VALUE, where `user`, `auth` and `priv` must stand; `auth_by` and `priv_by` name others than
SHA-256 (RFC 7860) and AES-128 (RFC 3826). Lines that begin with # are passed over.
"""

import os
import stat
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path

from whichhop.errors import DataError, SystemRefusedError
from whichhop.printable import shown


class AuthBy(StrEnum):
    """HMAC-SHA-2 of RFC 7860, and SHA-1 of RFC 3414 for devices that know no better."""

    SHA_224 = "sha-224"
    SHA_256 = "sha-256"
    SHA_384 = "sha-384"
    SHA_512 = "sha-512"
    SHA_1 = "sha-1"


class PrivBy(StrEnum):
    """AES of RFC 3826, and longer keys as most devices that have them stretch them (no standard does)."""

    AES_128 = "aes-128"
    AES_192 = "aes-192"
    AES_256 = "aes-256"


@dataclass(frozen=True, slots=True, kw_only=True)
class SnmpUser:
    """A user of the view-based kind: requests are signed and encrypted (RFC 3414 authPriv)."""

    name: str
    auth: str = field(repr=False)
    priv: str = field(repr=False)
    auth_by: AuthBy = AuthBy.SHA_256
    priv_by: PrivBy = PrivBy.AES_128


_MOST_OCTETS = 4_096
_LEAST_PASSWORD = 8
"""RFC 3414 11.2: shorter ones are no passwords."""
_LONGEST_NAME = 32
"""RFC 3414 5, usmUserName."""
_KEYS = ("user", "auth", "priv", "auth_by", "priv_by")


def user_of(text: str, source: str) -> SnmpUser:
    """The user that a file's text tells; DataError in one line, without any secret in it."""
    found: dict[str, str] = {}
    for number, line in enumerate(text.splitlines(), 1):
        name, colon, value = (part.strip() for part in line.partition(":"))
        if not line.strip() or line.lstrip().startswith("#"):
            continue
        if not colon or name not in _KEYS:
            wrong = f"{source}: line {number} is none of {', '.join(_KEYS)}"
            raise DataError(f"{wrong}; write for instance user: NAME")
        if name in found:
            raise DataError(f"{source}: {name} stands twice; keep one")
        found[name] = value
    for name in ("user", "auth", "priv"):
        if not found.get(name):
            raise DataError(f"{source}: {name} is missing; add a line {name}: {_EXAMPLE[name]}")
    if len(found["user"].encode()) > _LONGEST_NAME:
        raise DataError(f"{source}: user is longer than {_LONGEST_NAME} octets; no agent knows such a name")
    for name in ("auth", "priv"):
        if len(found[name].encode()) < _LEAST_PASSWORD:
            raise DataError(
                f"{source}: {name} is shorter than {_LEAST_PASSWORD} characters, which SNMPv3 does not take;"
                " give a longer one, to the device too"
            )
    return SnmpUser(
        name=found["user"],
        auth=found["auth"],
        priv=found["priv"],
        auth_by=AuthBy(_one_of(found.get("auth_by", AuthBy.SHA_256), AuthBy, f"{source}: auth_by")),
        priv_by=PrivBy(_one_of(found.get("priv_by", PrivBy.AES_128), PrivBy, f"{source}: priv_by")),
    )


_EXAMPLE = {"user": "NAME", "auth": "PASSWORD", "priv": "PASSWORD"}


def _one_of(word: str, kind: type[StrEnum], where: str) -> str:
    if word.lower() not in set(kind):
        raise DataError(f"{where} is {shown(word)}; write {', '.join(kind)}")
    return word.lower()


def read_user(path: Path) -> SnmpUser:
    """The user of a file; SystemRefusedError or DataError in one line."""
    try:
        with path.open("rb") as file:
            mode = os.fstat(file.fileno()).st_mode
            octets = file.read(_MOST_OCTETS + 1)
    except OSError as trouble:
        raise SystemRefusedError(
            f"{path}: cannot be read: {trouble.strerror}; put user:, auth: and priv: of the SNMP user there"
        ) from trouble
    if mode & (stat.S_IRWXO | stat.S_IWGRP):
        raise SystemRefusedError(f"{path}: others may read or change it; run: chmod 600 {path}")
    if len(octets) > _MOST_OCTETS:
        raise DataError(f"{path}: more than {_MOST_OCTETS} octets; it holds user:, auth: and priv: alone")
    try:
        return user_of(octets.decode(), str(path))
    except UnicodeDecodeError:
        raise DataError(f"{path}: not UTF-8 text; write it again") from None
