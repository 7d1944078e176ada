"""An alarm clock for the asyncio loop, on a timerfd where there is one.

The loop's own timers go through epoll's timeout, which is rounded up to a whole millisecond; a timerfd is an
ordinary readable descriptor that the kernel's high-resolution timer fires (man timerfd_create, 2).
"""

import asyncio
import contextlib
import ctypes
import os
from collections.abc import Callable
from typing import Protocol

from whichhop.model.units import NS_PER_S, MonoNs
from whichhop.net.system import c_library

_CLOCK_MONOTONIC = 1
_TFD_TIMER_ABSTIME = 1

Wake = Callable[[MonoNs], None]
"""Called with the time that was asked for, so that the caller can tell how late it is."""


class Alarm(Protocol):
    """Wakes once at a time of CLOCK_MONOTONIC; setting it again moves it."""

    precise: bool
    """True when a timerfd drives it: late by tens of microseconds, not by a millisecond."""

    def set(self, at_ns: MonoNs) -> None:
        """Wake at that time, at once when it has passed."""
        ...

    def close(self) -> None:
        """Never wake again."""
        ...


class _TimerFdAlarm:
    """An alarm on a timerfd."""

    precise = True

    def __init__(self, loop: asyncio.AbstractEventLoop, wake: Wake, libc: ctypes.CDLL, fd: int) -> None:
        self._loop, self._wake, self._fd = loop, wake, fd
        self._at_ns = MonoNs(0)
        self._again = False
        # Called for every packet: what can be made ready for it is.
        self._settime = libc.timerfd_settime
        self._settime.argtypes = (ctypes.c_int, ctypes.c_int, ctypes.c_void_p, ctypes.c_void_p)
        self._asked = (ctypes.c_long * 4)()  # struct itimerspec: no interval, then seconds and nanoseconds
        self._asked_at = ctypes.addressof(self._asked)
        loop.add_reader(fd, self._fired)

    def set(self, at_ns: MonoNs) -> None:
        self._at_ns, self._again = at_ns, True
        # All zero would disarm the timer (man timerfd_settime, 2), so the past is asked for as 1 ns.
        self._asked[2], self._asked[3] = divmod(max(at_ns, 1), NS_PER_S)
        if self._settime(self._fd, _TFD_TIMER_ABSTIME, self._asked_at, None) != 0:
            raise OSError(ctypes.get_errno(), "timerfd_settime")

    def _fired(self) -> None:
        self._again = False
        self._wake(self._at_ns)
        # Setting it again has taken back what it had to say; reading it too would be a system call a packet.
        if not self._again and self._fd >= 0:
            with contextlib.suppress(BlockingIOError):
                os.read(self._fd, 8)

    def close(self) -> None:
        if self._fd >= 0:
            self._loop.remove_reader(self._fd)
            os.close(self._fd)
            self._fd = -1


class _LoopAlarm:
    """An alarm on the loop's own timer, for systems without timerfd; up to a millisecond late."""

    precise = False

    def __init__(self, loop: asyncio.AbstractEventLoop, wake: Wake) -> None:
        self._loop, self._wake = loop, wake
        self._handle: asyncio.TimerHandle | None = None

    def set(self, at_ns: MonoNs) -> None:
        self.close()
        # The loop's clock is CLOCK_MONOTONIC in seconds (asyncio documentation, loop.time).
        self._handle = self._loop.call_at(at_ns / NS_PER_S, self._wake, at_ns)

    def close(self) -> None:
        if self._handle is not None:
            self._handle.cancel()
            self._handle = None


def open_alarm(loop: asyncio.AbstractEventLoop, wake: Wake, *, precise: bool = True) -> Alarm:
    """An alarm in `loop`; on a timerfd when the system has one and `precise` is left on."""
    if precise:
        libc = c_library()
        create = getattr(libc, "timerfd_create", None)
        fd = create(_CLOCK_MONOTONIC, os.O_NONBLOCK | os.O_CLOEXEC) if create is not None else -1
        if libc is not None and fd >= 0:
            return _TimerFdAlarm(loop, wake, libc, fd)
    return _LoopAlarm(loop, wake)
