"""Asks the home's agents in TLS, or tells them that its file or key has changed, by the home's key alone.

The token goes only to who has proven to hold that key.
"""

import hmac
import ssl
from collections.abc import Callable, Mapping
from typing import Annotated
from urllib.parse import urlsplit

import msgspec
from msgspec import Struct, field

from whichhop.config.identity import proof_of
from whichhop.config.keys import PurposeKeys
from whichhop.errors import RemoteError
from whichhop.model import Home, Node
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.http_client import SECONDS, fetch
from whichhop.net.listen import authority
from whichhop.net.tls import pinned_context
from whichhop.outside import OutsideError, json_of, mapping, typed, whole

SETTLED_NS = 8 * NS_PER_S
"""A window is judged once its last packet has settled; see daemon/minutes.py, which waits as long."""
DAY_NS = 24 * 3600 * NS_PER_S

MOST_IDENTITY = 16 * 1024

PATIENCE_S = 5.0
AGAIN_S = 2.0
MOST_MISSES = 3
"""Times in a row without an answer; one that is changing its key over answers no old one for a moment."""
MOST_S = 120.0
"""A small box takes some seconds to read its files and to make its keys anew, one after the other."""


def tls_addresses_of(home: Home) -> dict[str, str]:
    """Where each agent hands out records, in TLS: agent to base address."""
    return {n.name: f"https://{_place(n, home.ports.tls)}" for n in home.agents}


def addresses_of(home: Home) -> dict[str, str]:
    """Where each agent shows what anybody in the home may see: agent to base address."""
    return {n.name: f"http://{_place(n, home.ports.api)}" for n in home.agents}


def _place(node: Node, port: int) -> str:
    """Where an agent is asked; one that was not found yet has a place of its own that names no host."""
    return authority(node.address, port) if node.address else f"{node.name}@:{port}"


class _Identity(msgspec.Struct, frozen=True, kw_only=True):
    """What an agent says of itself; config/identity.py writes it."""

    certificate: Annotated[str, msgspec.Meta(max_length=MOST_IDENTITY)]
    proof: Annotated[str, msgspec.Meta(max_length=MOST_IDENTITY)]
    agent: Annotated[str, msgspec.Meta(max_length=64)] = ""


class AgentsFetch(Struct, kw_only=True):
    """Fits store.collect's Fetch. keys: of the home. seconds: how long one page may take.

    Each agent is asked once for its certificate, in the clear: it holds no secret, and its proof by the
    home's key tells an agent from whoever has its address. Then its pages come over TLS pinned to it.
    """

    plain: Mapping[str, tuple[str, str]]
    """TLS base address to agent and plain base address."""
    keys: PurposeKeys
    seconds: float = SECONDS
    _contexts: dict[str, ssl.SSLContext] = field(default_factory=dict)

    @classmethod
    def of(cls, home: Home, keys: PurposeKeys, *, seconds: float = SECONDS) -> "AgentsFetch":
        """For all agents of a home."""
        plain = {tls: (name, addresses_of(home)[name]) for name, tls in tls_addresses_of(home).items()}
        return cls(plain=plain, keys=keys, seconds=seconds)

    def __call__(self, url: str, token: str, *, post: bool = False) -> bytes:
        """The body at an agent's TLS address; RemoteError in one line when it cannot be had.

        post: ask by POST, for what makes the agent act.
        """
        parts = urlsplit(url)
        base = f"{parts.scheme}://{parts.netloc}"
        if base not in self.plain:
            raise RemoteError(f"{base}: no agent of this home; nothing is told to it")
        context = self._contexts.get(base)
        if context is None:
            agent, plain = self.plain[base]
            if not parts.hostname:
                raise RemoteError(
                    f"{agent}: where it is now is not known on this machine; an agent that runs here finds it"
                )
            context = self._contexts[base] = self._met(agent, plain)
        try:
            return fetch(url, token, seconds=self.seconds, tls=context, post=post)
        except RemoteError:
            self._contexts.pop(base, None)  # it may have a new key: then it proves itself anew
            raise

    def _met(self, agent: str, base: str) -> ssl.SSLContext:
        body = fetch(f"{base}/identity", seconds=self.seconds, most_bytes=MOST_IDENTITY)
        return proven(body, agent, base, self.keys)


class Identified(Struct, frozen=True, kw_only=True):
    """An agent that has proven to hold the home's key, and the certificate that it named as its own."""

    agent: str
    certificate: str


def proven(body: bytes, agent: str, base: str, keys: PurposeKeys) -> ssl.SSLContext:
    """Who showed this identity and no other is talked to; RemoteError unless the home's key proves it."""
    return pinned_context(_identified(body, agent, base, keys).certificate)


def identified(base: str, keys: PurposeKeys, *, seconds: float) -> Identified:
    """Which agent of the home answers at a plain base address; RemoteError when it is none.

    Whether it holds the certificate's key is shown by TLS, not here.
    """
    body = fetch(f"{base}/identity", seconds=seconds, most_bytes=MOST_IDENTITY)
    return _identified(body, None, base, keys)


def _identified(body: bytes, expected: str | None, base: str, keys: PurposeKeys) -> Identified:
    called = "the agent there" if expected is None else f"agent {expected}"
    place = f"{base}: {called} does not say who it is"
    try:
        said = typed(body, place, _Identity, most=MOST_IDENTITY)
        agent = said.agent if expected is None else expected
        right = hmac.compare_digest(
            said.proof.encode(), proof_of(keys.identity, agent, said.certificate).encode()
        )
        if right:
            pinned_context(said.certificate)
            return Identified(agent=agent, certificate=said.certificate)
    except OutsideError as why:
        raise RemoteError(str(why)) from None
    except ValueError as why:
        raise RemoteError(f"{place}; do both run the same version?") from why
    raise RemoteError(
        f"{base}: refused: who answers there is not {called} with this home's key, so it was told"
        " nothing; copy the home's key file there, or correct the address in the home file"
    )


def tell_agents(home: Home, keys: PurposeKeys, leave_out: str, say: Callable[[str], None]) -> list[str]:
    """Names of the agents that were told; those that do not answer are named to `say`.

    An agent that is off asks by itself when it is on again. leave_out: one that need not be told.
    """
    agents = AgentsFetch.of(home, keys, seconds=PATIENCE_S)

    def tell(there: tuple[str, str]) -> str | None:
        try:
            agents(f"{there[1]}/api/news", keys.api_token, post=True)
        except RemoteError as why:
            say(f"{there[0]} was not told of it: {why}")
            return None
        return there[0]

    places = [(name, base) for name, base in tls_addresses_of(home).items() if name != leave_out]
    from concurrent.futures import ThreadPoolExecutor  # noqa: PLC0415 - not for who only meets an agent

    with ThreadPoolExecutor(8) as pool:
        return [name for name in pool.map(tell, places) if name]


def tell_agents_of_epoch(
    home: Home, old: PurposeKeys, number: int, say: Callable[[str], None], seconds: float = MOST_S
) -> list[str]:
    """Names of the agents that have the new key now; those that are not heard of are named to `say`.

    old: the keys that they still had. number: of the new epoch. The one beside the new key takes it from its
    disk, the others from one another; so whoever has it not yet is told again until all have it.
    """
    clock = SystemClock()
    agents = AgentsFetch.of(home, old, seconds=PATIENCE_S)
    plain, waiting = addresses_of(home), dict(tls_addresses_of(home))
    done: list[str] = []
    why: dict[str, str] = {}
    misses: dict[str, int] = dict.fromkeys(waiting, 0)
    end_ns = clock.mono_ns() + round(seconds * NS_PER_S)

    def tell(name: str) -> bool:
        try:
            if _epoch_at(plain[name]) >= number:
                return True
            agents(f"{waiting[name]}/api/news", old.api_token, post=True)
            misses[name] = 0
        except (RemoteError, OutsideError) as trouble:
            why[name] = str(trouble)
            misses[name] += 1
        return False

    from concurrent.futures import ThreadPoolExecutor  # noqa: PLC0415 - not for who only meets an agent

    with ThreadPoolExecutor(8) as pool:
        while waiting and clock.mono_ns() < end_ns:
            have = [
                name for name, has in zip(list(waiting), pool.map(tell, list(waiting)), strict=True) if has
            ]
            done += have
            for name in have:
                del waiting[name]
            if all(misses[name] >= MOST_MISSES for name in waiting):
                break  # nobody else is there
            sleep_s(AGAIN_S)
    for name in waiting:
        say(f"{name} has not got the new key yet: {why.get(name, 'it answers, but has not taken it over')}")
    return done


def _epoch_at(base: str) -> int:
    body = fetch(f"{base}/identity", seconds=PATIENCE_S, most_bytes=MOST_IDENTITY)
    return whole(mapping(json_of(body, base), base).get("epoch", 0), base)
