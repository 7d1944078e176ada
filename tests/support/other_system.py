"""Makes this Python answer as another system's does: what that one lacks is gone, and its name is changed.

What the standard library itself needs is loaded before, since it is this system's. The lists follow the
Python documentation's "Availability" notes and, for errno, the systems' own headers (from memory).
"""

import asyncio
import builtins
import ctypes
import errno
import importlib
import os
import select
import signal
import socket
import ssl
import subprocess
import sys
import time
import urllib.request
from typing import Any

MACOS = {
    socket: ["MSG_ERRQUEUE", "AF_NETLINK", "AF_PACKET", "SOCK_NONBLOCK", "SOCK_CLOEXEC", "TCP_CONGESTION"],
    time: ["CLOCK_BOOTTIME"],
    os: ["memfd_create", "sched_getscheduler", "sched_setaffinity", "pipe2", "setns", "unshare"],
    errno: ["ENONET"],
    select: ["epoll"],
}
WINDOWS = {
    socket: [*MACOS[socket], "MSG_DONTWAIT", "AF_UNIX", "socketpair"],
    time: ["CLOCK_BOOTTIME", "CLOCK_MONOTONIC", "clock_gettime_ns"],
    os: [*MACOS[os], "geteuid", "getegid", "fork", "nice", "getpriority", "O_NONBLOCK", "O_CLOEXEC"],
    errno: ["ENONET"],
    select: ["epoll", "poll"],
    signal: ["SIGHUP", "SIGKILL"],
}
ABSENT = {
    "darwin": {"pyroute2", "_scproxy"},
    "win32": {"fcntl", "resource", "pwd", "grp", "termios", "pyroute2"},
}
BEFORE = ["aiohttp", "uvicorn", "prometheus_client", "icmplib", "encodings.idna", "tempfile", "shutil"]
BEFORE += ["zoneinfo", "sysconfig", "concurrent.futures.thread", "uvicorn.protocols.http.h11_impl", "runpy"]
LINUX_CALLS = {"timerfd_create", "prctl", "malloc_trim", "adjtimex", "recvmmsg", "sendmmsg", "syscall"}


def _library(platform: str) -> type[ctypes.CDLL]:
    class Library(ctypes.CDLL):
        """The C library of the other system: without Linux' own calls, on Windows without a handle."""

        def __init__(self, name: str | None, *rest: Any, **more: Any) -> None:
            if name is None and platform == "win32":
                raise TypeError("bad argument type for built-in operation")
            super().__init__(name, *rest, **more)

        def __getattr__(self, name: str) -> Any:
            if name in LINUX_CALLS:
                raise AttributeError(name)
            return super().__getattr__(name)

    return Library


def become(platform: str) -> None:
    """From now on this process is on `platform`, as sys.platform has it: "darwin" or "win32"."""
    for name in BEFORE:
        importlib.import_module(name)
    asyncio.new_event_loop().close()
    assert ssl
    assert subprocess
    assert urllib.request
    for module, names in (WINDOWS if platform == "win32" else MACOS).items():
        for name in names:
            if hasattr(module, name):
                delattr(module, name)
    ctypes.CDLL = _library(platform)  # type: ignore[misc]
    imported = builtins.__import__

    def importing(name: str, *rest: Any, **more: Any) -> Any:
        if name.partition(".")[0] in ABSENT[platform]:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        return imported(name, *rest, **more)

    builtins.__import__ = importing
    for name in ABSENT[platform]:
        sys.modules.pop(name, None)
    sys.platform = platform
