"""Asks the home's agents in TLS: the token goes only to who has proven to hold the home's key."""

import hmac
import json
import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from whichhop.config.identity import proof_of
from whichhop.config.keys import PurposeKeys
from whichhop.errors import RemoteError
from whichhop.model import Home
from whichhop.net.authority import authority
from whichhop.net.http_get import SECONDS, fetch
from whichhop.net.tls import pinned_context

MOST_IDENTITY = 16 * 1024


@dataclass(slots=True, kw_only=True)
class AgentsFetch:
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
        plain = {
            f"https://{authority(n.address or '', home.ports.tls)}": (
                n.name,
                f"http://{authority(n.address or '', home.ports.api)}",
            )
            for n in home.agents
        }
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
            context = self._contexts[base] = self._met(*self.plain[base])
        try:
            return fetch(url, token, seconds=self.seconds, tls=context, post=post)
        except RemoteError:
            self._contexts.pop(base, None)  # it may have a new key: then it proves itself anew
            raise

    def _met(self, agent: str, base: str) -> ssl.SSLContext:
        body = fetch(f"{base}/identity", seconds=self.seconds, most_bytes=MOST_IDENTITY)
        try:
            said = json.loads(body)
            certificate, proof = str(said["certificate"]), str(said["proof"])
            right = hmac.compare_digest(
                proof.encode(), proof_of(self.keys.identity, agent, certificate).encode()
            )
            if right:
                return pinned_context(certificate)
        except (ValueError, KeyError, TypeError, RecursionError) as why:
            raise RemoteError(
                f"{base}: agent {agent} does not say who it is; do both run the same version?"
            ) from why
        raise RemoteError(
            f"{base}: refused: who answers there is not agent {agent} with this home's key, so it was told"
            " nothing; copy the home's key file there, or correct the address in the home file"
        )
