"""DNS lookup: how long a resolver takes to answer a question, by the kernel's stamps."""

import socket

from whichhop.model import Method, SessionKey
from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.clock import Clock, both_ns
from whichhop.net.stamped import Datagram, StampedSocket
from whichhop.probes.base import Sink
from whichhop.probes.datagram_prober import DatagramProber, client_socket
from whichhop.probes.sessions import Course, plain
from whichhop.wire.flight import Flight
from whichhop.wire.lookup import LookupQuestion, decode_answer, encode_question
from whichhop.wire.quoted import Refusal

DNS_PORT = 53


class DnsLookupProber(DatagramProber[StampedSocket, Course]):
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
        super().__init__(sink, clock, self._begin, port=port, kernel_stamps=kernel_stamps, prompt=prompt)
        self._question = question
        self._ident = int.from_bytes(cookie[:2])

    @staticmethod
    def _begin(key: SessionKey, address: str) -> Course:
        return Course(key=key, address=address, flight=Flight())

    def _socket(self, family: socket.AddressFamily) -> StampedSocket:
        return client_socket(family, self._clock, kernel_stamps=self._kernel_stamps)

    def send(self, key: SessionKey, address: str) -> None:
        """Ask the resolver at `address` once, now."""
        course = self._courses.to(key, plain(address))
        seq = course.flight.next_seq
        self._ident = (self._ident + 1) & 0xFFFF
        packet = encode_question(self._question, self._ident)
        utc_ns, mono_ns = both_ns(self._clock)
        course.flight.sent(seq, utc_ns, mono_ns)
        try:
            family, where = self._where(address)
            token = self._sockets[family].send(packet, where)
        except (OSError, KeyError):  # KeyError: no socket of that family
            self._tell(course, course.not_sent(seq))
            return
        self._numbers.keep(self._ident, (course, seq))
        self._launched(family, token, course, seq)

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
            kernel = frozenset({"T4"} if answer.kernel else ())
            self._tell(
                course,
                course.flight.answered(
                    seq, t4_ns=answer.at_ns, utc_ns=utc_ns, mono_ns=mono_ns, kernel=kernel
                ),
            )
