"""ICMP echo: asks any node for its own packet back, and tells the round trip by the kernel's stamps."""

import asyncio
import socket
import struct
from ipaddress import ip_address

from whichhop.errors import SystemRefusedError
from whichhop.model import Method, SessionKey
from whichhop.model.units import MonoNs
from whichhop.net.clock import Clock
from whichhop.net.icmp_socket import EchoAnswer, EchoSocket
from whichhop.net.stamped import Address, numeric_address
from whichhop.probes.base import SessionFacts, Sink
from whichhop.probes.flights import Flight, Flights

_PAYLOAD = struct.Struct("!8sQ28x")
"""A cookie of this process, so that nobody else's reply is taken for ours, and the packet's number.

44 octets: with its header an echo is then as long on the line as a STAMP base packet in UDP (RFC 8762 4.2)."""


class EchoProber:
    """One socket for IPv4 and one for IPv6, each opened when the first such target is asked, or at the start."""

    method = Method.ECHO

    def __init__(self, sink: Sink, clock: Clock, cookie: bytes, *, kernel_stamps: bool = True) -> None:
        """`cookie`: 8 random octets."""
        self._sink, self._clock, self._cookie = sink, clock, cookie
        self._kernel_stamps = kernel_stamps
        self._loop: asyncio.AbstractEventLoop | None = None
        self._sockets: dict[socket.AddressFamily, EchoSocket] = {}
        self._addresses: dict[str, tuple[socket.AddressFamily, Address]] = {}
        self._flights = Flights()
        self._number = int.from_bytes(cookie[:2], "big")

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        """Get the IPv4 socket; the IPv6 one too where this machine speaks IPv6."""
        self._loop = loop
        self._socket(socket.AF_INET)
        try:
            self._socket(socket.AF_INET6)
        except SystemRefusedError:
            # A machine without IPv6 has no IPv6 targets; should it have one, `send` counts the refusals.
            self._sockets.pop(socket.AF_INET6, None)

    def _socket(self, family: socket.AddressFamily) -> EchoSocket:
        assert self._loop is not None, "open() first"
        ident = int.from_bytes(self._cookie[2:4], "big")
        made = EchoSocket(family, self._clock, ident=ident, kernel_stamps=self._kernel_stamps)
        self._sockets[family] = made
        self._loop.add_reader(made.fileno(), self._ready, made)
        return made

    def send(self, key: SessionKey, address: str) -> None:
        """Send one echo request now."""
        self._number += 1
        flight = Flight(
            key=key,
            address=_plain(address),
            number=self._number,
            sent_mono_ns=self._clock.mono_ns(),
            sent_ns=self._clock.utc_ns(),
        )
        try:
            family, where = self._where(address)
            payload = _PAYLOAD.pack(self._cookie, self._number)
            token = self._sockets[family].send(self._number & 0xFFFF, payload, where)
        except (OSError, KeyError):
            self._sink(key, self._flights.refused(flight))
            return
        self._flights.launch(flight, token)

    def _where(self, address: str) -> tuple[socket.AddressFamily, Address]:
        found = self._addresses.get(address)
        if found is None:
            found = self._addresses[address] = numeric_address(address, 0)
        return found

    def _ready(self, icmp: EchoSocket) -> None:
        stamps, answers = icmp.drain()
        for stamp in stamps:
            self._flights.stamp(stamp.token, scheduled=stamp.scheduled, at_ns=stamp.at_ns)
        now_ns = self._clock.mono_ns()
        for answer in answers:
            self._answered(answer, now_ns)

    def _answered(self, answer: EchoAnswer, now_ns: MonoNs) -> None:
        target = _plain(answer.target)
        if answer.unreachable:
            # An error need not quote more than the header (RFC 792), so the full number is rebuilt from 16 bits.
            number = self._number - ((self._number - answer.sequence) & 0xFFFF)
            ended = self._flights.unreachable(number, target)
        else:
            if len(answer.payload) != _PAYLOAD.size:
                return
            cookie, number = _PAYLOAD.unpack(answer.payload)
            if cookie != self._cookie:
                return
            ended = self._flights.answer(number, target, answer.at_ns, now_ns, kernel=answer.kernel)
        if ended is not None:
            self._sink(*ended)

    def expire(self, now_ns: MonoNs) -> None:
        """Give up packets waited for too long, once what already lies in the sockets has been taken."""
        for icmp in self._sockets.values():
            self._ready(icmp)
        for key, sample in self._flights.expire(now_ns):
            self._sink(key, sample)

    def facts(self, key: SessionKey) -> SessionFacts:
        """The session's facts since this was last asked."""
        return self._flights.facts(key)

    def close(self) -> None:
        """Stop listening and close the sockets."""
        for icmp in self._sockets.values():
            if self._loop is not None:
                self._loop.remove_reader(icmp.fileno())
            icmp.close()
        self._sockets.clear()


def _plain(address: str) -> str:
    """An address in its one canonical spelling, zone left out, so that two spellings compare equal."""
    return str(ip_address(address.partition("%")[0]))
