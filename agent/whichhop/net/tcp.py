"""TCP sockets for transfers, and what the kernel tells of them (tcp_info of Linux' uapi/linux/tcp.h)."""

import contextlib
import ctypes
import mmap
import socket
import struct
import threading
from collections.abc import Callable

from msgspec import Struct

from whichhop.errors import RemoteError
from whichhop.net.listen import authority
from whichhop.net.system import HERE, Name, c_function

_LAYOUT = struct.Struct("=8B 4I 5I 4I 8I 2I I 4Q 2I 4I Q 3Q 2I 2Q")
"""Up to tcpi_bytes_retrans; kernels since 4.19 give at least this much (octets 0 to 216)."""

BLOCK = 64 << 20
"""Octets a call at most: the rate on a bare veth rises up to here, since several streams' threads then seldom
wait for each other between calls."""
PIECE = 128 << 10
"""What a block is made of, the same memory again and again: the pages of a whole block would not fit the
processor's table of addresses (TLB), and to look each up costs a tenth of the rate. A call takes at most
1,024 (IOV_MAX)."""
FIRST_BLOCK = 64 << 10
PATIENCE_S = 0.2
"""How long one call waits before it looks whether it is to stop."""
_LINE_MOST = 4096


class TcpInfo(Struct, frozen=True, kw_only=True):
    """Segments count those received selectively too. Times in microseconds of the connection's life.

    min_rtt_us is 2^32 - 1 while unmeasured, rcv_rtt_us (the receiving side's own estimate) then 0. busy,
    rwnd_limited, sndbuf_limited: how long there was something to send, and how much of that the receiver's
    window or our own buffer held it back.
    """

    snd_mss: int
    rcv_mss: int
    rtt_us: int
    min_rtt_us: int
    rcv_rtt_us: int
    bytes_received: int
    data_segs_in: int
    delivered: int
    bytes_sent: int
    bytes_retrans: int
    busy_us: int
    rwnd_limited_us: int
    sndbuf_limited_us: int

    @property
    def delivered_octets(self) -> int:
        """What has reached the other end's TCP, out of order or not, in octets of full segments."""
        return self.delivered * self.snd_mss


# Through ctypes, which lets other threads run meanwhile: the kernel waits for the socket's lock here, and
# socket.getsockopt would hold every sending thread up for that long (measured: four streams lost two fifths).
_getsockopt = c_function("getsockopt")
_ROOM = 512


def tcp_info(sock: socket.socket) -> TcpInfo | None:
    """The connection's numbers now; None where the system gives none (closed, or not Linux)."""
    if _getsockopt is None or HERE.name is not Name.LINUX:
        return None
    raw, size = ctypes.create_string_buffer(_ROOM), ctypes.c_uint(_ROOM)
    failed = _getsockopt(sock.fileno(), socket.IPPROTO_TCP, socket.TCP_INFO, raw, ctypes.byref(size))
    if failed or size.value < _LAYOUT.size:
        return None
    f = _LAYOUT.unpack_from(raw)
    return TcpInfo(
        snd_mss=f[10],
        rcv_mss=f[11],
        rtt_us=f[23],
        rcv_rtt_us=f[29],
        bytes_received=f[35],
        min_rtt_us=f[39],
        data_segs_in=f[40],
        busy_us=f[43],
        rwnd_limited_us=f[44],
        sndbuf_limited_us=f[45],
        delivered=f[46],
        bytes_sent=f[48],
        bytes_retrans=f[49],
    )


def prefer_cubic(sock: socket.socket) -> None:
    """Have a connection to come controlled by cubic, where the system has it; a listener hands it on.

    bbr, some systems' default, probes its rate in cycles of seconds, which leaves a 2 s mean up to 12 % low.
    Chosen before connecting, because bbr's pacing stays on a connection that it has once begun: on a bare
    veth the pieces then overtake each other, and the rate falls to a tenth.
    """
    # Neither the name nor the choice is there on every system.
    with contextlib.suppress(OSError, AttributeError):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, b"cubic")


def connect(address: str, port: int, *, seconds: float) -> socket.socket:
    """A blocking connection, fit for bulk data too; RemoteError in one line when there is none in time."""
    where = authority(address, port)
    try:
        return _connected(address, port, seconds)
    except TimeoutError:
        raise RemoteError(
            f"{where}: no connection within {seconds:g} s; is the agent running there?"
        ) from None
    except OSError as error:
        raise RemoteError(f"{where}: {error.strerror or error}; is the agent running there?") from None


def _connected(address: str, port: int, seconds: float) -> socket.socket:
    family, kind, protocol, _, target = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
    sock = socket.socket(family, kind, protocol)
    try:
        prefer_cubic(sock)
        sock.settimeout(seconds)
        sock.connect(target)
    except BaseException:
        sock.close()
        raise
    return sock


def read_line(sock: socket.socket) -> bytes:
    """One line, read so that nothing past it is taken; b"" at the end of the connection."""
    line = bytearray()
    while len(line) < _LINE_MOST and not line.endswith(b"\n"):
        octet = sock.recv(1)
        if not octet:
            return b""
        line += octet
    return bytes(line)


def make_bulk(sock: socket.socket) -> None:
    """Set a connection up for bulk data: blocking, with short patience."""
    sock.settimeout(None)
    patience = struct.pack("@ll", 0, int(PATIENCE_S * 1e6))
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, patience)
    sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, patience)


def drop(sock: socket.socket) -> None:
    """Close at once: what is still queued is thrown away, so that the path is free again."""
    with contextlib.suppress(OSError):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("@ii", 1, 0))
        # Wakes a thread that still waits in a call on it: the connection lasts as long as one does.
        sock.shutdown(socket.SHUT_RDWR)
    sock.close()


def _untouched(octets: int) -> memoryview:
    """Memory that nobody has written to: one page of it again and again, as good as in the cache."""
    block = mmap.mmap(-1, octets, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    # A huge page of zeros would not fit the cache. A kernel that knows none refuses.
    with contextlib.suppress(OSError):
        block.madvise(mmap.MADV_NOHUGEPAGE)
    return memoryview(block)


class Filler:
    """A thread that sends until told to stop, the allowance is used up, or the connection ends."""

    def __init__(self, sock: socket.socket, allow: Callable[[int], int], stop: threading.Event) -> None:
        """`allow(n)` answers how many of n octets may be sent; 0 ends it."""
        self.sock, self.octets, self.broken = sock, 0, False
        self._allow, self._stop = allow, stop
        self.thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        piece, allowed, wanted = _untouched(PIECE), 0, FIRST_BLOCK
        while not self._stop.is_set():
            # As much as the path takes in one call: a small budget is shared by all streams.
            if allowed <= 0 and (allowed := self._allow(wanted)) <= 0:
                return
            try:
                sent = self.sock.sendmsg([piece] * (allowed // PIECE) + [piece[: allowed % PIECE]])
            except BlockingIOError:
                continue
            except OSError:
                self.broken = True
                return
            self.octets += sent
            allowed -= sent
            wanted = min(BLOCK, max(FIRST_BLOCK, 2 * sent))

    def info(self) -> TcpInfo | None:
        """The kernel's numbers."""
        return tcp_info(self.sock)


class Emptier:
    """A thread that takes in and throws away until told to stop or the connection ends.

    octets: what it has got by its last call's end, up to BLOCK octets or PATIENCE_S ago; `arrived` is of now.
    """

    def __init__(self, sock: socket.socket, stop: threading.Event) -> None:
        self.sock, self.octets, self.ended = sock, 0, False
        self._stop = stop
        self.thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        # With MSG_TRUNC the kernel counts and drops (man tcp, 7): no copy, twice the ceiling. With
        # MSG_WAITALL it goes on until the block is full or patience ends: a thirtieth of the calls on a veth.
        room, flags = _untouched(BLOCK), socket.MSG_TRUNC | socket.MSG_WAITALL
        while not self._stop.is_set():
            try:
                got = self.sock.recv_into(room, 0, flags)
            except BlockingIOError:
                continue
            except OSError:
                got = 0
            if got == 0:
                self.ended = True
                return
            self.octets += got

    @property
    def arrived(self) -> int:
        """Octets in order so far, as the kernel counts them; the last call's count where it does not."""
        info = tcp_info(self.sock)
        return self.octets if info is None else info.bytes_received
