"""Makes the probers that a home's sessions need, each target asked in the dialect it speaks."""

import random
import secrets
from collections.abc import Callable, Iterable

from whichhop.model import Home, Method, Node, Session
from whichhop.net.clock import Clock, clock_error_ns
from whichhop.probes.base import Prober, Sink
from whichhop.probes.table import Needs, ProberByTarget, make_prober
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error


def estimate_now() -> ErrorEstimate:
    """How wrong our clock is, as STAMP packets state it."""
    error_ns = clock_error_ns()
    return estimate_error(error_ns, synced=error_ns is not None)


class ProberMaker:
    """Makes each kind of prober at most once a dialect.

    Call streams and those beside a transfer get STAMP probers of their own: their bursts then never share a
    socket's queue with the steady stream, and a reflector that sends no session identifier back cannot mix
    them.
    """

    def __init__(
        self,
        home: Home,
        sink: Sink,
        clock: Clock,
        estimate: Callable[[], ErrorEstimate],
        stamp_key: bytes,
        *,
        prompt: bool = True,
    ) -> None:
        """prompt: see DatagramProber; False where an Agent gathers."""
        self._home, self._sink, self._clock = home, sink, clock
        self._estimate, self._stamp_key = estimate, stamp_key
        self._prompt = prompt
        self._dice = random.SystemRandom()
        self._made: dict[object, Prober] = {}

    def probers(self, sessions: Iterable[Session]) -> dict[Method, Prober]:
        """One face a method that occurs in these sessions, and no others."""
        by_method: dict[Method, dict[str, Prober]] = {}
        for session in sessions:
            method, target = session.key.method, session.key.target
            by_method.setdefault(method, {})[target] = self._one(method, target)
        return {method: ProberByTarget(method, by_target) for method, by_target in by_method.items()}

    def _one(self, method: Method, target: str) -> Prober:
        node = self._home.nodes.get(target)
        asked = method
        if method in (Method.CALL, Method.LOADED):
            asked = Method.STAMP if node is not None and (node.agent or node.stamp) else Method.ECHO
        signed = node is not None and self.signs(node)
        tcp_port = node.tcp_port if node else None
        dialect = {
            Method.STAMP: (asked, method, signed),
            Method.TCP: (asked, method, tcp_port),
        }.get(asked, (asked, method))
        if dialect not in self._made:
            self._made[dialect] = make_prober(
                asked,
                Needs(
                    method=method,
                    sink=self._sink,
                    clock=self._clock,
                    estimate=self._estimate,
                    first_ssid=self._dice.randrange(1, 0x10000),
                    cookie=secrets.token_bytes(8),
                    stamp_port=self._home.ports.stamp,
                    stamp_key=self._stamp_key if signed else None,
                    tcp_port=tcp_port,
                    lookup_name=self._home.lookup_name,
                    prompt=self._prompt,
                ),
            )
        return self._made[dialect]

    def signs(self, node: Node) -> bool:
        """True when STAMP packets to and from this node carry the home key's tag."""
        return self._home.authenticated and node.has_key
