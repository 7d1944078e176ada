"""Who may be answered and how often: allowed networks, and a token bucket for each source. Pure."""

from collections import OrderedDict
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from ipaddress import IPv4Network, IPv6Network, ip_address

from whichhop.model.units import NS_PER_S, MonoNs

Network = IPv4Network | IPv6Network


class Turned(StrEnum):
    """Why a datagram was not even read; the value is what counters show."""

    NOT_ALLOWED = "not-allowed"
    RATE_LIMITED = "rate-limited"


@dataclass(slots=True)
class _Source:
    """One address's bucket; -1 tokens: never allowed."""

    tokens: float
    at_ns: int


class Gate:
    """Lets a source pass `rate_per_s` times a second, `burst` at once after a rest."""

    def __init__(
        self,
        allowed: Iterable[Network],
        *,
        rate_per_s: float = 500.0,
        burst: float = 500.0,
        sources_most: int = 1024,
    ) -> None:
        """The defaults serve a home: a call stream is 50 a second, and an agent runs a few sessions at once.

        sources_most: addresses remembered; the one met first is forgotten first.
        """
        self._allowed = tuple(allowed)
        self._rate_per_ns = rate_per_s / NS_PER_S
        self._burst = burst
        self._most = sources_most
        self._sources: OrderedDict[str, _Source] = OrderedDict()

    def allow(self, allowed: Iterable[Network]) -> None:
        """From now on these networks, as a changed home file has them."""
        self._allowed = tuple(allowed)
        self._sources.clear()

    def turned(self, source: str, now_ns: MonoNs) -> Turned | None:
        """Why this datagram is not to be answered; None when it may pass, which costs its source a token."""
        known = self._sources.get(source)
        if known is None:
            known = self._meet(source, now_ns)
        tokens = known.tokens
        if tokens >= 1 and known.at_ns == now_ns:  # the rest of a batch
            known.tokens = tokens - 1
            return None
        if tokens < 0:
            return Turned.NOT_ALLOWED
        if tokens < self._burst:
            tokens = min(self._burst, tokens + (now_ns - known.at_ns) * self._rate_per_ns)
        known.at_ns = now_ns
        if tokens < 1:
            known.tokens = tokens
            return Turned.RATE_LIMITED
        known.tokens = tokens - 1
        return None

    def _meet(self, source: str, now_ns: MonoNs) -> _Source:
        try:
            address = ip_address(source.partition("%")[0])
            allowed = any(address.version == n.version and address in n for n in self._allowed)
        except ValueError:
            allowed = False
        known = _Source(self._burst if allowed else -1.0, now_ns)
        self._sources[source] = known
        if len(self._sources) > self._most:
            self._sources.popitem(last=False)
        return known
