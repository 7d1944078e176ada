"""One SNMP request and its answer: in v2c with a community, in v3 as a user, who is read from a file.

Lines of NAME: VALUE, where `user`, `auth` and `priv` must stand; `auth_by` and `priv_by` name others than
SHA-256 (RFC 7860) and AES-128 (RFC 3826). Lines that begin with # are passed over.
"""

import os
import stat
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from enum import StrEnum
from ipaddress import ip_address
from pathlib import Path
from typing import Any

from pyasn1.type.univ import Null
from pysnmp.hlapi.v1arch import asyncio as plain
from pysnmp.hlapi.v3arch import asyncio as signed
from pysnmp.proto import errind

from whichhop.errors import DataError, SystemRefusedError
from whichhop.printable import shown

Oid = tuple[int, ...]
AT_ONCE = 25
Found = tuple[Any, int, list[tuple[Any, Any]]]
"""What the library has to say (None for nothing), the answer's error status, its names and values."""
Ask = Callable[[Oid], Awaitable[Found]]

_MOST_OCTETS = 4_096
_LEAST_PASSWORD = 8
"""RFC 3414 11.2: shorter ones are no passwords."""
_LONGEST_NAME = 32
"""RFC 3414 5, usmUserName."""
_KEYS = ("user", "auth", "priv", "auth_by", "priv_by")
_EXAMPLE = {"user": "NAME", "auth": "PASSWORD", "priv": "PASSWORD"}


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


_AUTH = {
    AuthBy.SHA_1: signed.USM_AUTH_HMAC96_SHA,
    AuthBy.SHA_224: signed.USM_AUTH_HMAC128_SHA224,
    AuthBy.SHA_256: signed.USM_AUTH_HMAC192_SHA256,
    AuthBy.SHA_384: signed.USM_AUTH_HMAC256_SHA384,
    AuthBy.SHA_512: signed.USM_AUTH_HMAC384_SHA512,
}
_PRIV = {
    PrivBy.AES_128: signed.USM_PRIV_CFB128_AES,
    PrivBy.AES_192: signed.USM_PRIV_CFB192_AES,
    PrivBy.AES_256: signed.USM_PRIV_CFB256_AES,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SnmpUser:
    """A user of the view-based kind: requests are signed and encrypted (RFC 3414 authPriv)."""

    name: str
    auth: str = field(repr=False)
    priv: str = field(repr=False)
    auth_by: AuthBy = AuthBy.SHA_256
    priv_by: PrivBy = PrivBy.AES_128


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
        return user_of(octets.decode("utf-8-sig"), str(path))
    except UnicodeDecodeError:
        raise DataError(f"{path}: not UTF-8 text; write it again") from None


async def _target(module: Any, address: str, port: int, timeout_s: float, retries: int) -> Any:
    six = ip_address(address).version == 6
    kind = module.Udp6TransportTarget if six else module.UdpTransportTarget
    return await kind.create((address, port), timeout=timeout_s, retries=retries)


class ByCommunity:
    """SNMPv2c, which is what modems speak on the home's side; it only reads, and levels are no secret."""

    def __init__(self, community: str) -> None:
        self._community = plain.CommunityData(community, mpModel=1)  # noqa: S508 - v3 is ByUser
        self._dispatcher = plain.SnmpDispatcher()

    async def to(self, address: str, port: int, timeout_s: float, retries: int) -> Ask:
        """How this agent is asked for what comes after an OID."""
        target = await _target(plain, address, port, timeout_s, retries)

        async def ask(here: Oid) -> Found:
            indication, status, _, found = await plain.bulk_cmd(
                self._dispatcher, self._community, target, 0, AT_ONCE, (here, Null("")), lookupMib=False
            )
            return indication, int(status), list(found)

        return ask

    async def trouble(self, _indication: Any, _ask: tuple[str, int, float]) -> str:
        """What is wrong beyond what the library says: in v2c nothing can be told."""
        return ""

    def close(self) -> None:
        """Close the socket."""
        self._dispatcher.close()


class ByUser:
    """SNMPv3 with authentication and privacy (RFC 3414); engine and clock are learned at the first."""

    def __init__(self, user: SnmpUser) -> None:
        self._user = user
        self._engine = signed.SnmpEngine()

    def _data(self, *, private: bool) -> Any:
        user = self._user
        return signed.UsmUserData(
            user.name,
            authKey=user.auth,
            authProtocol=_AUTH[user.auth_by],
            **({"privKey": user.priv, "privProtocol": _PRIV[user.priv_by]} if private else {}),
        )

    async def _bulk(self, engine: Any, data: Any, target: Any, here: Oid) -> Found:
        wanted = signed.ObjectType(signed.ObjectIdentity(here))
        indication, status, _, found = await signed.bulk_cmd(
            engine, data, target, signed.ContextData(), 0, AT_ONCE, wanted, lookupMib=False
        )
        return indication, int(status), [(name, value) for name, value in found]

    async def to(self, address: str, port: int, timeout_s: float, retries: int) -> Ask:
        """How this agent is asked for what comes after an OID."""
        target = await _target(signed, address, port, timeout_s, retries)
        data = self._data(private=True)

        async def ask(here: Oid) -> Found:
            return await self._bulk(self._engine, data, target, here)

        return ask

    async def trouble(self, indication: Any, asked: tuple[str, int, float]) -> str:
        """What a report of the agent's, or its silence, says of the user (RFC 3414 3.2); "" for nothing."""
        name = self._user.name
        for kind, words in _REPORTS:
            if isinstance(indication, kind):
                return words.format(name=name, auth_by=self._user.auth_by)
        if isinstance(indication, errind.RequestTimedOut) and await self._answers_unencrypted(asked):
            # What was encrypted with another key decrypts to rubbish, which agents drop without a word.
            priv_by = self._user.priv_by
            return (
                f"drops what {name!r} encrypts, though it knows the user; check priv and priv_by ({priv_by})"
            )
        return ""

    async def _answers_unencrypted(self, asked: tuple[str, int, float]) -> bool:
        """Whether the agent has a word, be it a refusal, for the same user without privacy."""
        address, port, timeout_s = asked
        target, engine = await _target(signed, address, port, timeout_s, 0), signed.SnmpEngine()
        try:
            indication, _, _ = await self._bulk(
                engine, self._data(private=False), target, (1, 3, 6, 1, 2, 1, 1)
            )
        finally:
            engine.close_dispatcher()
        silent = (errind.RequestTimedOut, errind.WrongDigest, errind.UnknownUserName)
        return not isinstance(indication, silent)

    def close(self) -> None:
        """Close the socket."""
        self._engine.close_dispatcher()


_REPORTS = (
    (errind.UnknownUserName, "does not know the user {name!r} (usmStatsUnknownUserNames); check user"),
    (errind.UnknownSecurityName, "does not know the user {name!r} (usmStatsUnknownUserNames); check user"),
    (
        (errind.WrongDigest, errind.AuthenticationFailure, errind.AuthenticationError),
        "does not take the signature of {name!r} (usmStatsWrongDigests); check auth and auth_by ({auth_by})",
    ),
    (
        errind.DecryptionError,
        "cannot decrypt what {name!r} sends (usmStatsDecryptionErrors); check priv and priv_by",
    ),
    (
        errind.UnsupportedSecurityLevel,
        "has no privacy for {name!r} (usmStatsUnsupportedSecLevels); set authentication and privacy there",
    ),
    (
        errind.NotInTimeWindow,
        "says the request is out of its time window (usmStatsNotInTimeWindows);"
        " its clock or count of restarts jumped: restart it, or try again",
    ),
    (
        errind.UnknownEngineID,
        "has another engine ID than it said (usmStatsUnknownEngineIDs); is there one agent at this address?",
    ),
)
"""What RFC 3414 3.2 has an agent report, by the name of its counter there, and what to do."""
