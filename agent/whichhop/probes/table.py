"""The list of what can be asked: how a prober of each method is made. A new kind is one row here."""

import asyncio
from collections.abc import Callable, Iterable, Mapping
from itertools import chain

from msgspec import Struct

from whichhop.model import Method, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import Clock
from whichhop.probes.base import Prober, SessionFacts, Sink
from whichhop.probes.kinds.dns_lookup import DnsLookupProber
from whichhop.probes.kinds.icmp_echo import EchoProber
from whichhop.probes.kinds.stamp_sender import StampProber
from whichhop.probes.kinds.tcp_connect import TcpConnectProber
from whichhop.wire.lookup import LookupQuestion
from whichhop.wire.ntp64 import ErrorEstimate


class Needs(Struct, frozen=True, kw_only=True):
    """What a prober of any kind may need to be made; a kind takes what it knows.

    method: what its samples count as, since a call stream is asked as STAMP or echo. first_ssid: a random
    number from 1 to 65535. cookie: 8 random octets. stamp_key: None to ask without a tag. prompt: see
    DatagramProber.
    """

    method: Method
    sink: Sink
    clock: Clock
    estimate: Callable[[], ErrorEstimate]
    first_ssid: int
    cookie: bytes
    stamp_port: int
    stamp_key: bytes | None
    tcp_port: int | None
    lookup_name: str | None
    prompt: bool


def _echo(needs: Needs) -> Prober:
    return EchoProber(needs.sink, needs.clock, needs.cookie, method=needs.method, prompt=needs.prompt)


def _stamp(needs: Needs) -> Prober:
    return StampProber(
        needs.sink,
        needs.clock,
        needs.estimate,
        first_ssid=needs.first_ssid,
        port=needs.stamp_port,
        key=needs.stamp_key,
        method=needs.method,
        prompt=needs.prompt,
    )


def _tcp(needs: Needs) -> Prober:
    if needs.tcp_port is None:
        raise ValueError("a target asked by TCP needs a port")
    return TcpConnectProber(needs.sink, needs.clock, port=needs.tcp_port)


def _lookup(needs: Needs) -> Prober:
    if needs.lookup_name is None:
        raise ValueError("a resolver that is asked needs a name to ask for")
    question = LookupQuestion(name=needs.lookup_name)
    return DnsLookupProber(needs.sink, needs.clock, needs.cookie, question, prompt=needs.prompt)


PROBERS: Mapping[Method, Callable[[Needs], Prober]] = {
    Method.ECHO: _echo,
    Method.STAMP: _stamp,
    Method.TCP: _tcp,
    Method.LOOKUP: _lookup,
}


def make_prober(asked: Method, needs: Needs) -> Prober:
    """A prober that asks by `asked`; ValueError for a method that no row knows, or a fact that it lacks."""
    maker = PROBERS.get(asked)
    if maker is None:
        raise ValueError(f"no prober asks by {asked!s}; probes/table.py knows {', '.join(PROBERS)}")
    return maker(needs)


class ProberByTarget:
    """Hands each session to its target's prober; a prober that serves several targets is opened once.

    A method has one face towards the daemon, though an own agent is asked with the home's key, a foreign
    reflector without, and a call stream rides on whatever its target understands.
    """

    def __init__(self, method: Method, by_target: Mapping[str, Prober]) -> None:
        self.method = method
        self._by_target = by_target
        self._all = list({id(p): p for p in by_target.values()}.values())

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        """Open every prober; when one is refused, those opened before it are closed again."""
        opened: list[Prober] = []
        try:
            for prober in self._all:
                prober.open(loop)
                opened.append(prober)
        except BaseException:
            for prober in opened:
                prober.close()
            raise

    def send(self, key: SessionKey, address: str) -> None:
        """Send one test packet now; KeyError for a target that has no prober."""
        self._by_target[key.target].send(key, address)

    def gather(self) -> None:
        """Take up what waits in every prober."""
        for prober in self._all:
            prober.gather()

    def expire(self, now_ns: MonoNs) -> None:
        """Give up packets waited for too long."""
        for prober in self._all:
            prober.expire(now_ns)

    def unanswered(self, before_ns: MonoNs) -> Iterable[tuple[SessionKey, UtcNs]]:
        """Packets sent before a time whose answer may still come, of every prober."""
        return chain.from_iterable(prober.unanswered(before_ns) for prober in self._all)

    def facts(self, key: SessionKey) -> SessionFacts:
        """The session's facts since this was last asked."""
        prober = self._by_target.get(key.target)
        return prober.facts(key) if prober else SessionFacts()

    def close(self) -> None:
        """Close every prober."""
        for prober in self._all:
            prober.close()
