"""DNS lookup: how long a resolver takes to answer a question, by the kernel's stamps."""

import socket

from whichhop.model import Method
from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import Clock
from whichhop.net.stamped import Address, Datagram, StampedSocket
from whichhop.probes.base import Sink
from whichhop.probes.datagram_prober import NumberedProber, client_socket
from whichhop.probes.sessions import plain
from whichhop.wire.lookup import LookupQuestion, decode_answer, encode_question
from whichhop.wire.quoted import Refusal

DNS_PORT = 53


class DnsLookupProber(NumberedProber[StampedSocket]):
    """One UDP socket for each address family; every resolver is asked the same question.

    A resolver that answers with a failure (RCODE 2, 5 ...) did not resolve, so that question ends as lost
    after the waiting time, like one without an answer, and is counted as refused. An answer comes from the
    resolver's cache as a rule: what is measured is the way to it and its own pace.
    """

    method = Method.LOOKUP

    def __init__(
        self,
        sink: Sink,
        clock: Clock,
        cookie: bytes,
        question: LookupQuestion,
        *,
        port: int = DNS_PORT,
        kernel_stamps: bool = True,
        prompt: bool = True,
    ) -> None:
        """`cookie`: at least 2 random octets, so that a stranger cannot guess the next question's number."""
        super().__init__(sink, clock, cookie, port=port, kernel_stamps=kernel_stamps, prompt=prompt)
        self._question = question

    def _socket(self, family: socket.AddressFamily) -> StampedSocket:
        return client_socket(family, self._clock, kernel_stamps=self._kernel_stamps)

    def _send(self, where: StampedSocket, family: socket.AddressFamily, to: Address, seq: int) -> int | None:
        return where.send(encode_question(self._question, self._number), to)

    def _answered(self, where: StampedSocket, answer: Datagram, utc_ns: UtcNs, mono_ns: MonoNs) -> None:
        told = decode_answer(answer.data, self._question)
        found = None if told is None else self._numbers.get(told.ident)
        if told is None or found is None:
            return
        course, seq = found
        if plain(str(answer.source[0])) != course.address or answer.source[1] != self._port:
            course.flight.refuse(Refusal.UNASKED)
        elif not told.resolved:
            course.flight.refuse(Refusal.FAILED)
        else:
            self._arrived(course, seq, answer, utc_ns, mono_ns)
