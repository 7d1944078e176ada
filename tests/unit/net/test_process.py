"""What a long-running process asks of the system, seen in the kernel's own account of it."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from support.need import need

pytestmark = pytest.mark.slow

ASK = """
import os, subprocess, sys
from pathlib import Path
from whichhop.net.process import SLICE_NS, ask_short_slices, settle_memory
if hasattr(os, "SCHED_IDLE") and os.sched_getscheduler(0) == os.SCHED_IDLE:
    try:
        # Tests that compute may be of the idle class.
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
    except PermissionError:
        pass
nice = os.nice(3)
account = Path("/proc/self/sched")
print(ask_short_slices(), os.getpriority(os.PRIO_PROCESS, 0) == nice, SLICE_NS)
print(account.read_text() if account.exists() else "")
"""
MEMORY = """
import gc
from whichhop.net.process import settle_memory
def resident_kb():
    with open("/proc/self/status") as lines:
        return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))
held = [bytes(2000) for _ in range(20_000)]
held = held[::100]  # what stays pins the heap, so that it does not shrink by itself
before = resident_kb()
settle_memory()
print(before, resident_kb(), gc.get_freeze_count())
"""
CODE = """
import asyncio, re, sqlite3, ssl, sys, zlib
from whichhop.net.process import settle_memory
def code_kb():
    kb, code = 0, False
    for line in open("/proc/self/smaps"):
        if re.match("[0-9a-f]+-", line):
            code = " r-xp " in line
        elif code and line.startswith("Rss:"):
            kb += int(line.split()[1])
    return kb
before = code_kb()
settle_memory()
after = code_kb()
context = ssl.create_default_context()
print(before, after, sqlite3.connect(":memory:").execute("select 6 * 7").fetchone()[0], zlib.crc32(b"abc"))
"""


def run(code: str) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60
    )
    return done.stdout


def test_short_slices_are_granted_at_the_same_priority() -> None:
    told = run(ASK)
    granted, same_priority, asked_ns = told.split()[:3]
    assert same_priority == "True"
    slices = re.search(r"se\.slice\s*:\s*(\d+)", told)
    need(granted == "True" and slices is not None, "a kernel that tells and grants time slices")
    assert slices is not None
    assert slices[1] == asked_ns


def test_memory_that_loading_left_over_is_given_back_and_what_stays_is_frozen() -> None:
    need(Path("/proc/self/status").exists(), "/proc")
    before, after, frozen = map(int, run(MEMORY).split())
    assert after < before - 10_000  # of the 40 MB made and dropped at least 10
    assert frozen > 1000


def test_code_that_only_loading_used_is_unmapped_and_comes_back_when_it_is_called() -> None:
    # man madvise, 2: MADV_DONTNEED of a mapped file has its pages read from the file again
    need(Path("/proc/self/smaps").exists(), "/proc")
    before, after, answer, sum_of_abc = map(int, run(CODE).split())
    assert after < 0.8 * before
    assert (answer, sum_of_abc) == (42, 0x352441C2)
