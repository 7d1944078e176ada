"""The only file that reads a clock or sleeps; and how far the system says its clock may be off."""

import ctypes
import time
from collections.abc import Callable
from typing import Protocol, cast

from whichhop.model.units import MonoNs, UtcNs
from whichhop.net.system import HERE, c_function


class Clock(Protocol):
    """What the daemon and the probes ask the time of; tests give one that is moved by hand."""

    def utc_ns(self) -> UtcNs:
        """Wall-clock time, which may step."""
        ...

    def mono_ns(self) -> MonoNs:
        """Time that never steps and stands still while the machine sleeps (CLOCK_MONOTONIC)."""
        ...

    def boot_ns(self) -> int:
        """Like `mono_ns` but running on while the machine sleeps (CLOCK_BOOTTIME)."""
        ...


class SystemClock:
    """The kernel's clocks."""

    # The functions themselves, since each packet asks several times: CLOCK_REALTIME, CLOCK_MONOTONIC.
    utc_ns: Callable[[], UtcNs] = staticmethod(cast("Callable[[], UtcNs]", time.time_ns))
    mono_ns: Callable[[], MonoNs] = staticmethod(cast("Callable[[], MonoNs]", time.monotonic_ns))

    def boot_ns(self) -> int:
        """CLOCK_BOOTTIME; CLOCK_MONOTONIC where there is none."""
        if HERE.boot_clock:
            return time.clock_gettime_ns(time.CLOCK_BOOTTIME)
        return time.monotonic_ns()


def sleep_s(seconds: float) -> None:
    """Block this thread; for command-line waits only, never in the daemon's loop."""
    time.sleep(seconds)


_TOGETHER_NS = 20_000
_TRIES = 4


def both_ns(clock: Clock) -> tuple[UtcNs, MonoNs]:
    """Wall-clock and monotonic time read within 20 us of each other, unless four tries were interrupted.

    Their difference is what a clock step shows in, so an interruption between the readings must not.
    """
    before = clock.mono_ns()
    for _ in range(_TRIES):
        utc = clock.utc_ns()
        after = clock.mono_ns()
        if after - before <= _TOGETHER_NS:
            break
        before = after
    return utc, before


_STA_UNSYNC = 0x0040
_TIME_ERROR = 5
_NS_PER_US = 1000


class _Timex(ctypes.Structure):
    """The start of struct timex; what follows is only room for the kernel to write into."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        ("offset", ctypes.c_long),
        ("freq", ctypes.c_long),
        ("maxerror", ctypes.c_long),
        ("esterror", ctypes.c_long),
        ("status", ctypes.c_int),
        ("rest", ctypes.c_byte * 256),
    )


def clock_error_ns() -> int | None:
    """The kernel's bound on the wall clock's error against UTC, in ns; None when nothing steers it.

    The bound is the time daemon's own and grows by 500 ppm between its corrections.
    """
    adjtimex = c_function("adjtimex")
    if adjtimex is None:
        return None
    told = _Timex(modes=0)
    state = adjtimex(ctypes.byref(told))
    if state < 0 or state == _TIME_ERROR or told.status & _STA_UNSYNC:
        return None
    return int(told.maxerror) * _NS_PER_US
