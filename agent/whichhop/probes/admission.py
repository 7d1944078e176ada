"""Who may be answered and how often: allowed networks and ports, and a token bucket for each source. Pure."""

from collections import OrderedDict
from collections.abc import Iterable
from enum import StrEnum
from ipaddress import IPv4Network, IPv6Network, ip_address

from msgspec import Struct

from whichhop.model.units import NS_PER_S, MonoNs

Network = IPv4Network | IPv6Network


class Turned(StrEnum):
    """Why a datagram was not even read; the value is what counters show."""

    NOT_ALLOWED = "not-allowed"
    RATE_LIMITED = "rate-limited"
    SERVICE_PORT = "service-port"
    """It claims to come from a port where services answer: ours would begin a conversation without an end."""
    OWN_ADDRESS = "own-address"
    """It claims to come from ourselves, over the network."""


WELL_KNOWN = 1024
"""Below it are the system ports (RFC 6335 section 6), where services listen and no client asks from."""
TELL_RATE_PER_S = 100.0
"""Refusals told to strangers a second, all together: the second addresses of a whole home's agents and a call
beside them are told each time, and whoever is made to receive them gets less than 0.1 Mbit/s."""
FORGED_RATE_PER_S = 5000.0
"""Packets a second, of all sources together, that turn out to be of no holder of the home's key and so cost
nothing whom they claim to come from. Ten times a source's share; to look at a tag takes microseconds, so that
a flood of more has to be stopped unread, and then takes its claimed source's share after all."""


class _Source(Struct):
    """One address's bucket; -1 tokens: never allowed."""

    tokens: float
    at_ns: int


class Admission:
    """Lets a source pass `rate_per_s` times a second, `burst` at once after a rest."""

    def __init__(
        self,
        allowed: Iterable[Network],
        *,
        rate_per_s: float = 500.0,
        burst: float = 500.0,
        sources_most: int = 1024,
        services: Iterable[int] = (),
        own: str = "",
    ) -> None:
        """The defaults serve a home: a call stream is 50 a second, and an agent runs a few sessions at once.

        sources_most: addresses remembered; the one met first is forgotten first.
        services: ports beside the system ones where reflectors listen. own: our address; "" or a loopback
        one, where everything comes from ourselves, to look at none.
        """
        self._allowed = tuple(allowed)
        self._services = frozenset(services)
        self._own = "" if own and ip_address(own).is_loopback else own
        self._telling = _Source(TELL_RATE_PER_S, 0)
        self._forged = _Source(FORGED_RATE_PER_S, 0)
        self._rate_per_ns = rate_per_s / NS_PER_S
        self._burst = burst
        self._most = sources_most
        self._sources: OrderedDict[str, _Source] = OrderedDict()

    def allow(self, allowed: Iterable[Network]) -> None:
        """From now on these networks, as a changed home file has them."""
        self._allowed = tuple(allowed)
        self._sources.clear()

    def reserve(self, port: int) -> None:
        """A port where a reflector listens: from there no ask comes, only another reflector's answer."""
        self._services |= {port}

    def may_tell(self, now_ns: MonoNs) -> bool:
        """Whether a stranger may be told why it gets no answer, which uses up a share of such words."""
        return _taken(self._telling, TELL_RATE_PER_S, now_ns)

    def forged(self, source: str, now_ns: MonoNs) -> None:
        """A packet that passed was of no holder of the key: whom it claims to be of gets its token back."""
        known = self._sources.get(source)
        if known is not None and known.tokens >= 0 and _taken(self._forged, FORGED_RATE_PER_S, now_ns):
            known.tokens = min(self._burst, known.tokens + 1)

    def turned(self, source: str, port: int, now_ns: MonoNs) -> Turned | None:
        """Why this datagram is not to be answered; None when it may pass, which costs its source a token."""
        if port < WELL_KNOWN or port in self._services:
            return Turned.SERVICE_PORT
        if source == self._own:
            return Turned.OWN_ADDRESS
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


def _taken(bucket: _Source, rate_per_s: float, now_ns: MonoNs) -> bool:
    """Whether a bucket that holds a second's worth had a token left, which is then gone."""
    bucket.tokens = min(rate_per_s, bucket.tokens + (now_ns - bucket.at_ns) * rate_per_s / NS_PER_S)
    bucket.at_ns = now_ns
    if bucket.tokens < 1:
        return False
    bucket.tokens -= 1
    return True
