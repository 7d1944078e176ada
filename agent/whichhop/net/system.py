"""What this system offers to an agent: the one place that knows Linux, macOS and Windows apart.

Other modules ask for a fact ("does the kernel stamp packets?") and do without where it is not given: nothing
here, nor on import of any module of an agent, needs more than Python itself has everywhere.
"""

import ctypes
import errno
import os
import select
import socket
import sys
from collections.abc import Callable
from enum import StrEnum
from functools import cache
from types import ModuleType
from typing import Any

from msgspec import Struct


class Name(StrEnum):
    """The systems that are told apart."""

    LINUX = "Linux"
    MACOS = "macOS"
    WINDOWS = "Windows"
    OTHER = "another system"


class Offers(Struct, frozen=True, kw_only=True):
    """What there is. Each False has its fallback in `words`.

    kernel_stamps: SO_TIMESTAMPING. error_queue: flags of recvmsg that read it, 0 for none. packet_header:
    TTL and traffic class as ancillary data under Linux' numbers. ancillary: recvmsg at all. ping_socket:
    datagram ICMP sockets. tables: /proc and /sys. netlink: nl80211 and the like. memory_file: files without
    a name. boot_clock: a clock that runs on while the machine sleeps. poll: poll(2). hang_up: SIGHUP, to
    read the home file anew. seqpacket: local sockets that keep messages whole, by which transfers are handed
    over. services: what starts programs with the system.
    """

    name: Name
    kernel_stamps: bool
    error_queue: int
    packet_header: bool
    ancillary: bool
    ping_socket: bool
    tables: bool
    netlink: bool
    memory_file: bool
    boot_clock: bool
    poll: bool
    hang_up: bool
    seqpacket: bool
    services: str

    @property
    def words(self) -> list[str]:
        """What is done without, a sentence each; empty on a system that lacks nothing."""
        rows = [
            (
                self.kernel_stamps,
                "packets are timed by this program, which adds tens to hundreds of microseconds",
            ),
            (bool(self.error_queue), "the way to a target is walked as the administrator only"),
            (self.ping_socket, "echo needs the administrator; without, name a tcp_port of each peer"),
            (
                self.tables,
                "the router must be named (--gateway); own traffic and a busy machine are not seen",
            ),
            (self.netlink, "Wi-Fi signal and rate are not read"),
            (self.boot_clock, "sleep of the machine is told from the clocks' difference only"),
            (self.seqpacket, "no transfers are measured"),
            (self.hang_up, "a changed home file is taken over by a new start only"),
            (self.services == "systemd", f"the agent is started with the system by hand ({self.services})"),
        ]
        return [words for given, words in rows if not given]


def _name(platform: str) -> Name:
    if platform.startswith("linux"):
        return Name.LINUX
    return {"darwin": Name.MACOS, "win32": Name.WINDOWS}.get(platform, Name.OTHER)


_SERVICES = {Name.LINUX: "systemd", Name.MACOS: "launchd", Name.WINDOWS: "the Task Scheduler"}


def offers(
    platform: str,
    *,
    sockets: ModuleType | Any = socket,
    files: ModuleType | Any = os,
    polls: ModuleType | Any = select,
) -> Offers:
    """The facts of a system: its name decides what numbers mean, Python's modules what there is at all."""
    name = _name(platform)
    linux = name is Name.LINUX
    queue = getattr(sockets, "MSG_ERRQUEUE", None)
    return Offers(
        name=name,
        # The option's number means something else elsewhere, so it is never tried there.
        kernel_stamps=linux,
        error_queue=int(queue) | int(sockets.MSG_DONTWAIT) if linux and queue is not None else 0,
        packet_header=linux,
        ancillary=hasattr(sockets.socket, "recvmsg"),
        ping_socket=name in (Name.LINUX, Name.MACOS),
        tables=linux,
        netlink=hasattr(sockets, "AF_NETLINK"),
        memory_file=hasattr(files, "memfd_create"),
        boot_clock=linux,
        poll=hasattr(polls, "poll"),
        hang_up=name is not Name.WINDOWS,
        seqpacket=linux and hasattr(sockets, "AF_UNIX"),
        services=_SERVICES.get(name, "its own means"),
    )


HERE = offers(sys.platform)
"""The facts of this system."""


@cache
def c_library() -> ctypes.CDLL | None:
    """The C library this process runs on, with errno kept; None where it has no such handle (Windows)."""
    try:
        return ctypes.CDLL(None, use_errno=True)
    except (TypeError, OSError):
        return None


def c_function(name: str) -> Callable[..., int] | None:
    """A function of the C library; None where it has none of that name."""
    library = c_library()
    return None if library is None else getattr(library, name, None)


def error_numbers(*names: str) -> frozenset[int]:
    """The numbers of those errors that this system knows."""
    return frozenset(number for name in names if (number := getattr(errno, name, None)) is not None)
