"""How wrong the kernel believes its wall clock to be (adjtimex, 2)."""

import ctypes

from whichhop.net.system import c_function

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
