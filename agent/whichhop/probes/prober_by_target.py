"""Several probers of one method behind one face: each target is asked by the one that speaks its dialect."""

import asyncio
from collections.abc import Iterable, Mapping
from itertools import chain

from whichhop.model import Method, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.probes.base import Prober, SessionFacts


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
