"""ICMP echo sockets with kernel stamps, IPv4 and IPv6, unprivileged where the system allows it.

The one door to icmplib: its sockets open and parse. Its timing, taken in user space around blocking calls, is
replaced by the kernel's stamps; its checksum, octet by octet, by the one in wire/icmp.py.
"""

import contextlib
import ctypes
import socket
import struct
from typing import Any, NamedTuple

import icmplib
from icmplib.exceptions import ICMPLibError, SocketPermissionError

from whichhop.errors import SystemRefusedError
from whichhop.model.units import NS_PER_S, UtcNs
from whichhop.net.clock import Clock
from whichhop.net.stamped import Address, Datagram, SendStamp, StampedSocket
from whichhop.net.system import HERE, Name

# RFC 792 and RFC 4443 2.1: answers to an echo, and errors that quote it.
_REPLY_TYPES = {socket.AF_INET: 0, socket.AF_INET6: 129}
_REQUEST_TYPES = {socket.AF_INET: 8, socket.AF_INET6: 128}
_ERROR_TYPES = {socket.AF_INET: (3, 11), socket.AF_INET6: (1, 3)}
# linux/icmp.h and linux/icmpv6.h: which types a raw socket does not want to see.
_SOL_RAW, _ICMP_FILTER = 255, 1
_SOL_ICMPV6, _ICMP6_FILTER = 58, 1
# linux/filter.h, asm-generic/socket.h
_ATTACH_FILTER = 26
_SOCK_FILTER, _SOCK_FPROG = struct.Struct("=HBBI"), struct.Struct("@HP")
_PASS, _DROP = -1, -2
"""Where a filter's jump ends; other jumps are told in steps passed over."""
_RECEIVE_BUFFER_BYTES = 1 << 18
_HEADER_BYTES = 8
_IPV4_BYTES = 20
"""Answers with options in their IP header are not read, as icmplib does not read them."""
_NUMBERS = struct.Struct("!HH")


class _V4(icmplib.ICMPv4Socket):  # type: ignore[misc]
    """Opens the parsing of icmplib's IPv4 socket to this module."""

    def parse(self, packet: bytes, source: str, at_s: float) -> Any:
        return self._parse_reply(packet, source, at_s)


class _V6(icmplib.ICMPv6Socket):  # type: ignore[misc]
    """The same for IPv6."""

    def parse(self, packet: bytes, source: str, at_s: float) -> Any:
        return self._parse_reply(packet, source, at_s)


class EchoAnswer(NamedTuple):
    """A reply to an echo of ours, or an error message that quotes one.

    source: who sent it, numeric. error: True for an error message (type 3 or 11; 1 or 3 in IPv6).
    body: what follows the 8 octets of the header: a reply's payload, or the packet an error quotes.
    """

    source: str
    sequence: int
    error: bool
    body: bytes
    at_ns: UtcNs
    kernel: bool


class EchoSocket:
    """One ICMP socket for all echo sessions of an address family."""

    def __init__(
        self, family: socket.AddressFamily, clock: Clock, *, ident: int, kernel_stamps: bool = True
    ) -> None:
        """Open it; `ident` (16 bits) marks our packets on a raw socket, where every process sees every reply.

        Raises SystemRefusedError with the remedy when neither kind of socket is allowed.
        """
        self.family = family
        self._icmp = _open(_V4 if family == socket.AF_INET else _V6, family)
        self.unprivileged = not self._icmp.is_privileged
        sock = self._icmp.sock
        if self.unprivileged:
            self.ident = ident
            if HERE.name is Name.LINUX:
                # The kernel gives a datagram socket its identifier, and delivers nothing that is not ours.
                sock.bind(("0.0.0.0" if family == socket.AF_INET else "::", 0))  # noqa: S104
                self.ident = int(sock.getsockname()[1])
        else:
            self.ident = ident
            if HERE.name is Name.LINUX:  # elsewhere the parser drops what the filters would
                _filter(sock, family)
                _filter_to_ours(sock, family, ident)
        # icmplib takes a datagram socket's messages for ones without the IP header on Linux alone.
        self._has_ip_header = family == socket.AF_INET and not (self.unprivileged and HERE.name is Name.LINUX)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _RECEIVE_BUFFER_BYTES)
        self._stamped = StampedSocket(sock, clock, kernel_stamps=kernel_stamps)

    @property
    def kernel_stamps(self) -> bool:
        """True when the kernel agreed to stamp."""
        return self._stamped.kernel_stamps

    def fileno(self) -> int:
        """The descriptor, for the event loop."""
        return self._stamped.fileno()

    def close(self) -> None:
        """Close the socket."""
        self._icmp.close()

    def send(self, message: bytes, address: Address) -> int | None:
        """Send one ICMP message; the token under which its send stamps will come. OSError: not sent."""
        return self._stamped.send(message, address)

    def receive(self) -> list[EchoAnswer]:
        """Answers that wait; to be used after the stamps that `send_stamps` then gives."""
        return [a for d in self._stamped.receive() if (a := self._answer(d)) is not None]

    def send_stamps(self, *, sure: bool = True) -> list[SendStamp]:
        """Send stamps that wait, as StampedSocket gives them."""
        return self._stamped.send_stamps(sure=sure)

    def _answer(self, datagram: Datagram) -> EchoAnswer | None:
        data, source = datagram.data, str(datagram.source[0])
        begin = _IPV4_BYTES if self._has_ip_header else 0
        if len(data) >= begin + _HEADER_BYTES and data[begin] == _REPLY_TYPES[self.family]:
            ident, sequence = _NUMBERS.unpack_from(data, begin + 4)
            if ident != self.ident:
                return None
            body = data[begin + _HEADER_BYTES :]
            return EchoAnswer(source, sequence, False, body, datagram.at_ns, datagram.kernel)
        reply = self._icmp.parse(data, source, datagram.at_ns / NS_PER_S)
        if reply is None or reply.id != self.ident:
            return None
        if reply.type not in _ERROR_TYPES[self.family]:
            return None
        return EchoAnswer(
            source=source,
            sequence=int(reply.sequence),
            error=True,
            body=data[len(data) - reply.bytes_received + _HEADER_BYTES :],
            at_ns=datagram.at_ns,
            kernel=datagram.kernel,
        )


def _open(kind: type, family: socket.AddressFamily) -> Any:
    """A datagram socket when the system allows one, else a raw one, else the refusal with its remedy."""
    why: Exception | None = None
    for privileged in (False, True):
        try:
            return kind(privileged=privileged)
        except SocketPermissionError as err:
            why = err
        except ICMPLibError as err:
            raise SystemRefusedError(
                f"no ICMP socket for {family.name}: {err}; switch that family on or leave such targets out"
            ) from err
    raise SystemRefusedError(
        "echo needs an ICMP socket and the system refused both kinds; allow this group with "
        "`sysctl net.ipv4.ping_group_range='0 2147483647'` or grant the program CAP_NET_RAW"
    ) from why


def _filter(sock: socket.socket, family: socket.AddressFamily) -> None:
    """Let a raw socket see only replies and errors; elsewhere the parser drops the rest anyway."""
    wanted = (_REPLY_TYPES[family], *_ERROR_TYPES[family])
    if family == socket.AF_INET:
        mask = 0xFFFFFFFF
        for kind in wanted:
            mask &= ~(1 << kind)
        sock.setsockopt(_SOL_RAW, _ICMP_FILTER, struct.pack("=I", mask))
        return
    words = [0xFFFFFFFF] * 8
    for kind in wanted:
        words[kind >> 5] &= ~(1 << (kind & 31))
    sock.setsockopt(_SOL_ICMPV6, _ICMP6_FILTER, struct.pack("=8I", *words))


def _filter_to_ours(sock: socket.socket, family: socket.AddressFamily, ident: int) -> None:
    """Let a raw socket see only what answers its own identifier: replies, and errors that quote its echoes.

    A classic packet filter (kernel documentation, networking/filter): an IPv4 raw socket's packets begin with
    the IP header, an ICMPv6 one's with the ICMP header. Others' packets then neither wake this process nor
    fill the buffer in which its own answers wait: a kernel that tells a scanner of closed ports a thousand
    times a second would push them out, which looks like loss.
    """
    reply, request = _REPLY_TYPES[family], _REQUEST_TYPES[family]
    if family == socket.AF_INET:
        program = [
            (0xB1, 0, 0, 0),  # x = length of the IP header
            (0x50, 0, 0, 0),  # a = ICMP type, at x + 0
            (0x15, 0, 2, reply),  # not a reply: an error
            (0x48, 0, 0, 4),  # a = identifier, at x + 4
            (0x15, _PASS, _DROP, ident),
            (0x50, 0, 0, 17),  # a = protocol of the quoted IP header, at x + 8 + 9
            (0x15, 0, _DROP, socket.IPPROTO_ICMP),
            (0x50, 0, 0, 8),  # a = first octet of the quoted IP header
            (0x54, 0, 0, 0x0F),
            (0x64, 0, 0, 2),  # a = its length
            (0x0C, 0, 0, 0),  # a += x
            (0x07, 0, 0, 0),  # x = a
            (0x50, 0, 0, 8),  # a = quoted ICMP type
            (0x15, 0, _DROP, request),
            (0x48, 0, 0, 12),  # a = quoted identifier
            (0x15, _PASS, _DROP, ident),
        ]
    else:
        program = [
            (0x30, 0, 0, 0),  # a = ICMP type
            (0x15, 0, 2, reply),  # not a reply: an error
            (0x28, 0, 0, 4),  # a = identifier
            (0x15, _PASS, _DROP, ident),
            (0x30, 0, 0, 8 + 6),  # a = next header of the quoted IP header
            (0x15, 0, _DROP, socket.IPPROTO_ICMPV6),
            (0x30, 0, 0, 8 + 40),  # a = quoted ICMP type
            (0x15, 0, _DROP, request),
            (0x28, 0, 0, 8 + 40 + 4),  # a = quoted identifier
            (0x15, _PASS, _DROP, ident),
        ]
    ends = {_PASS: len(program), _DROP: len(program) + 1}
    steps = [
        (code, *(ends[to] - at - 1 if to in ends else to for to in jumps), value)
        for at, (code, *jumps, value) in enumerate(program)
    ]
    steps += [(0x06, 0, 0, 0xFFFFFFFF), (0x06, 0, 0, 0)]
    code = ctypes.create_string_buffer(b"".join(_SOCK_FILTER.pack(*step) for step in steps))
    # Where the system refuses, the parser drops the rest, as ever.
    with contextlib.suppress(OSError):
        sock.setsockopt(
            socket.SOL_SOCKET, _ATTACH_FILTER, _SOCK_FPROG.pack(len(steps), ctypes.addressof(code))
        )
