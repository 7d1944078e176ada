"""What the kernel tells of one TCP connection (tcp_info of Linux' uapi/linux/tcp.h), as named numbers."""

import ctypes
import socket
import struct
from dataclasses import dataclass

from whichhop.net.system import HERE, Name, c_function

_LAYOUT = struct.Struct("=8B 4I 5I 4I 8I 2I I 4Q 2I 4I Q 3Q 2I 2Q")
"""Up to tcpi_bytes_retrans; kernels since 4.19 give at least this much (octets 0 to 216)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TcpInfo:
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
