"""One SNMP request and its answer: in v2c with a community, in v3 as a user."""

from collections.abc import Awaitable, Callable
from ipaddress import ip_address
from typing import Any

from pyasn1.type.univ import Null
from pysnmp.hlapi.v1arch import asyncio as plain
from pysnmp.hlapi.v3arch import asyncio as signed
from pysnmp.proto import errind

from whichhop.probes.snmp_user import AuthBy, PrivBy, SnmpUser

Oid = tuple[int, ...]
AT_ONCE = 25
Found = tuple[Any, int, list[tuple[Any, Any]]]
"""What the library has to say (None for nothing), the answer's error status, its names and values."""
Ask = Callable[[Oid], Awaitable[Found]]

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
