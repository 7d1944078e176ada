"""Answers many datagrams with two system calls: what a reflector needs under a flood.

recvmmsg takes them; sendmmsg sends the answers, or one segmented send where all are of one size to one asker,
which goes through the system's layers once (kernel documentation, networking/segmentation-offloads: UDP).
"""

import ctypes
import errno
import socket
import struct
import sys
from collections.abc import Callable

from whichhop.model.units import NS_PER_S
from whichhop.net import stamped
from whichhop.net.stamped import Address, StampedSocket
from whichhop.net.system import HERE, c_library

SLOTS = 32
"""Datagrams an exchange. More saves little, and the first answer waits for the last to be made."""
_DATA = 2048
_NAME = 28  # struct sockaddr_in6
_CONTROL = 256
_ZEROS_AT = 240  # never written to: the kernel is offered the octets before it
_SOL_UDP, _UDP_SEGMENT = 17, 103  # linux/udp.h, kernel 4.18 and later
_SEGMENT = struct.Struct("=H")
_SEGMENT_MOST = 1200
"""Octets of an answer that surely fit every device's MTU, IPv6's least of 1280 among them."""
_CMSG = struct.Struct("@Nii")
_TIMESPEC = struct.Struct("=qq")


class _Iovec(ctypes.Structure):
    _fields_ = (("base", ctypes.c_void_p), ("len", ctypes.c_size_t))


class _Msghdr(ctypes.Structure):
    _fields_ = (
        ("name", ctypes.c_void_p),
        ("namelen", ctypes.c_uint32),
        ("iov", ctypes.c_void_p),
        ("iovlen", ctypes.c_size_t),
        ("control", ctypes.c_void_p),
        ("controllen", ctypes.c_size_t),
        ("flags", ctypes.c_int),
    )


class _Mmsghdr(ctypes.Structure):
    _fields_ = (("hdr", _Msghdr), ("len", ctypes.c_uint))


_INTS, _LONGS = ctypes.sizeof(_Mmsghdr) // 4, ctypes.sizeof(_Mmsghdr) // ctypes.sizeof(ctypes.c_ulong)
_CONTROLLEN_AT = _Msghdr.controllen.offset // ctypes.sizeof(ctypes.c_ulong)

Answer = Callable[[bytes, bytes, int, int, int], memoryview | None]
"""(data, raw source, receive time in ns or 0, TTL, traffic class) -> what to send back, None for nothing."""


def address_of(raw: bytes) -> Address:
    """The socket address that Python's own sockets would give for a raw sockaddr of either family."""
    (port,) = struct.unpack_from("!H", raw, 2)
    if int.from_bytes(raw[:2], sys.byteorder) == socket.AF_INET:
        return socket.inet_ntop(socket.AF_INET, raw[4:8]), port
    (flow,) = struct.unpack_from("!I", raw, 4)
    (scope,) = struct.unpack_from("=I", raw, 24)
    return socket.inet_ntop(socket.AF_INET6, raw[8:24]), port, flow, scope


class Batch:
    """Buffers and headers for one socket, laid out once."""

    def __init__(self, udp: StampedSocket) -> None:
        """OSError (ENOSYS) where there are no such calls, or the socket wants to know local addresses."""
        libc = c_library()
        if libc is None or not HERE.kernel_stamps:
            raise OSError(errno.ENOSYS, "no recvmmsg on this system")
        if not hasattr(libc, "recvmmsg") or not hasattr(libc, "sendmmsg") or udp.want_local:
            raise OSError(errno.ENOSYS, "no recvmmsg for this socket")
        if udp.option == stamped.SO_TIMESTAMPING_OLD and _TIMESPEC.size != struct.calcsize("@ll"):
            raise OSError(errno.ENOSYS, "stamps of another size")
        self._recv, self._send, self._send_one = libc.recvmmsg, libc.sendmmsg, libc.sendmsg
        self._segmenting = True
        self._fd, self._option = udp.fileno(), udp.option
        self._v6 = udp.socket.family == socket.AF_INET6
        self._name_octets = _NAME if self._v6 else 16
        self._in, self._out = bytearray(SLOTS * _DATA), bytearray(SLOTS * _DATA)
        self._names, self._control = bytearray(SLOTS * _NAME), bytearray(SLOTS * _CONTROL)
        self._in_iov, self._out_iov = (_Iovec * SLOTS)(), (_Iovec * SLOTS)()
        self._in_headers, self._out_headers = (_Mmsghdr * SLOTS)(), (_Mmsghdr * SLOTS)()
        self._lay_out()
        self._fresh = bytes(self._in_headers)
        self._lengths = memoryview(self._in_headers).cast("B").cast("I")[_Mmsghdr.len.offset // 4 :]
        self._controls = memoryview(self._in_headers).cast("B").cast("L")[_CONTROLLEN_AT:]
        self._sizes = memoryview(self._out_iov).cast("B").cast("L")[1:]
        self._run_control = bytearray(socket.CMSG_SPACE(_SEGMENT.size))
        _CMSG.pack_into(self._run_control, 0, socket.CMSG_LEN(_SEGMENT.size), _SOL_UDP, _UDP_SEGMENT)
        self._run = _Msghdr(
            self._out_headers[0].hdr.name,
            self._name_octets,
            ctypes.addressof(self._out_iov),
            1,
            ctypes.addressof(ctypes.c_char.from_buffer(self._run_control)),
            len(self._run_control),
            0,
        )
        self._layouts: dict[int, tuple[int, int, int]] = {}

    def _lay_out(self) -> None:
        at = {n: ctypes.addressof(ctypes.c_char.from_buffer(b)) for n, b in self._buffers().items()}
        for i in range(SLOTS):
            self._in_iov[i] = _Iovec(at["in"] + i * _DATA, _DATA)
            self._out_iov[i] = _Iovec(at["out"] + i * _DATA, _DATA)
            name = at["names"] + i * _NAME
            into = ctypes.addressof(self._in_iov) + i * ctypes.sizeof(_Iovec)
            outof = ctypes.addressof(self._out_iov) + i * ctypes.sizeof(_Iovec)
            control = at["control"] + i * _CONTROL
            self._in_headers[i].hdr = _Msghdr(name, _NAME, into, 1, control, _ZEROS_AT, 0)
            self._out_headers[i].hdr = _Msghdr(name, self._name_octets, outof, 1, None, 0, 0)

    def _buffers(self) -> dict[str, bytearray]:
        return {"in": self._in, "out": self._out, "names": self._names, "control": self._control}

    def exchange(self, answer: Answer) -> tuple[int, int]:
        """Take what waits, at most SLOTS, and answer: how many were taken, how many answers were not sent.

        One long loop on purpose: every call in it costs a flooded reflector a fiftieth of its rate.
        """
        headers, names, control = self._in_headers, self._names, self._control
        ctypes.memmove(headers, self._fresh, len(self._fresh))
        taken = self._recv(self._fd, headers, SLOTS, socket.MSG_DONTWAIT, None)
        if taken <= 0:
            return 0, 0  # nothing waits, or an ICMP error about an earlier answer, now cleared
        lengths, controls, sizes = self._lengths, self._controls, self._sizes
        into, out, layouts, timespec = self._in, self._out, self._layouts, _TIMESPEC.unpack_from
        name_octets = self._name_octets
        answers = 0
        run_name, run_size = b"", 0
        for i in range(taken):
            start, where, base = i * _DATA, i * _NAME, i * _CONTROL
            layout = layouts.get(controls[i * _LONGS])
            if layout is None:
                layout = self._layout(base, controls[i * _LONGS])
            seconds, nanos = timespec(control, base + layout[0])
            name = bytes(names[where : where + name_octets])
            view = answer(
                bytes(into[start : start + lengths[i * _INTS]]),
                name,
                seconds * NS_PER_S + nanos,
                control[base + layout[1]],
                control[base + layout[2]],
            )
            if view is None:
                continue
            size = len(view)
            start = answers * _DATA
            out[start : start + size] = view
            sizes[2 * answers] = size
            if not answers:
                run_name, run_size = name, size
            elif name != run_name or size != run_size:
                run_size = 0
            if answers != i:
                where = answers * _NAME
                names[where : where + name_octets] = name
            answers += 1
        if not answers:
            return taken, 0
        if answers > 1 and 0 < run_size <= _SEGMENT_MOST and self._segmenting:
            unsent = self._send_run(answers, run_size)
            if unsent is not None:
                return taken, unsent
        sent = self._send(self._fd, self._out_headers, answers, socket.MSG_DONTWAIT)
        return taken, answers - max(sent, 0)

    def _send_run(self, answers: int, size: int) -> int | None:
        """Send answers of one size to one asker in one go: how many were not sent, None to try singly."""
        self._run.iovlen = answers
        _SEGMENT.pack_into(self._run_control, socket.CMSG_LEN(0), size)
        sent = self._send_one(self._fd, ctypes.byref(self._run), socket.MSG_DONTWAIT)
        if sent >= 0:
            return 0
        if ctypes.get_errno() in (errno.EAGAIN, errno.ENOBUFS):
            return answers
        self._segmenting = False  # an old kernel, or a device that cannot
        return None

    def _layout(self, base: int, octets: int) -> tuple[int, int, int]:
        """Where in its control octets a datagram's stamp, TTL and traffic class lie; at zeros when not there.

        For one socket their kinds and order depend on nothing but which are there, and so on their length.
        """
        stamp_at = ttl_at = tos_at = _ZEROS_AT
        low = 0 if sys.byteorder == "little" else 3
        at = 0
        while at + _CMSG.size <= octets:
            length, level, kind = _CMSG.unpack_from(self._control, base + at)
            if length < _CMSG.size:
                break
            value = at + socket.CMSG_LEN(0)
            if (level, kind) == (socket.SOL_SOCKET, self._option):
                stamp_at = value
            elif (level, kind) == (socket.IPPROTO_IP, stamped.IP_TTL):
                ttl_at = value + low
            elif (level, kind) == (socket.IPPROTO_IP, stamped.IP_TOS):
                tos_at = value
            elif (level, kind) == (socket.IPPROTO_IPV6, stamped.IPV6_HOPLIMIT):
                ttl_at = value + low
            elif (level, kind) == (socket.IPPROTO_IPV6, stamped.IPV6_TCLASS):
                tos_at = value + low
            at += socket.CMSG_SPACE(length - socket.CMSG_LEN(0))
        layout = self._layouts[octets] = (stamp_at, ttl_at, tos_at)
        return layout
