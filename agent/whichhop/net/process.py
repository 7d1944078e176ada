"""Asks the system to treat a long-running, punctual process well: short time slices, no idle memory."""

import ctypes
import gc
import os
import struct
from pathlib import Path

from whichhop.net.system import HERE, Name, c_function

SLICE_NS = 100_000
"""The least that the kernel grants. A process that asks for short slices is put on the processor sooner when
it wakes, and gives it up sooner (man sched_setattr, 2; from kernel 6.12 on, older ones pass it over). With
far more work than cores, nine in ten wake-ups came within 1.9 ms, not 3.1 ms (nine runs each, in turn)."""
_SCHED_ATTR = struct.Struct("=IIQiIQQQ")
_SCHED_OTHER = 0
_NUMBERS = {"x86_64": 314, "i386": 351, "i686": 351, "armv7l": 380, "aarch64": 274, "riscv64": 274}
"""sched_setattr's number by machine: the C library has had a name for it only since 2.41."""

_MADV_DONTNEED = 4
"""asm-generic/mman-common.h."""
_MOST_YOUNG = 5_000
"""Objects made and not yet freed after which the collector looks: half a megabyte of rubbish at most, for a
twentieth of the processor's time that packets took."""


def ask_short_slices() -> bool:
    """Ask for short time slices at the priority this process has; False where the system does not know them.

    Needs no privilege, and takes nothing from others over time: only when it runs changes, not how much.
    Threads and children begun later have short slices too.
    """
    number = _NUMBERS.get(os.uname().machine) if HERE.name is Name.LINUX else None
    call = c_function("syscall")
    if number is None or call is None:
        return False  # numbers of calls are each system's own
    if os.sched_getscheduler(0) != _SCHED_OTHER:
        return False
    nice = os.getpriority(os.PRIO_PROCESS, 0)
    size = _SCHED_ATTR.size
    asked = ctypes.create_string_buffer(
        _SCHED_ATTR.pack(size, _SCHED_OTHER, 0, nice, 0, SLICE_NS, 0, 0), size
    )
    return int(call(number, 0, asked, 0)) == 0


def settle_memory() -> None:
    """Once everything is loaded: give what loading left over back, and spare the collector what stays.

    Frozen objects are not walked by the garbage collector again, whose longest pauses are then short, and it
    walks the others seldom: hardly anything of ours needs it.
    """
    gc.collect()
    gc.freeze()
    gc.set_threshold(_MOST_YOUNG)
    trim = c_function("malloc_trim")  # the GNU C library's; others give back by themselves
    if trim is not None:
        trim(0)
    _let_go_of_code()


def _let_go_of_code() -> None:
    """Unmap the pages of libraries' code; what is used is mapped again as it is used, from the file.

    Loading touches far more code than measuring does. Code alone, never data: nothing is written to it.
    """
    advise = c_function("madvise")
    if HERE.name is not Name.LINUX or advise is None:
        return
    try:
        rows = [line.split() for line in Path("/proc/self/maps").read_text().splitlines()]
    except OSError:
        return
    for row in rows:  # man proc_pid_maps, 5: from-to, rights, offset, device, inode, path
        if len(row) > 5 and row[1] == "r-xp" and row[5].startswith("/"):
            begin, end = (int(word, 16) for word in row[0].split("-"))
            advise(ctypes.c_void_p(begin), ctypes.c_size_t(end - begin), _MADV_DONTNEED)
