"""Code that an agent under test runs before it begins: clocks of our own, and time that passes faster.

Nothing of the machine's clock is touched. Kernel stamps are switched off with it, or two clocks would meet.
"""

from pathlib import Path

STEPPED = """
import mmap, time, struct
from whichhop.net import clock, stamped
_file = open({offset!r}, "r+b")
_seen = mmap.mmap(_file.fileno(), 8)
clock.SystemClock.utc_ns = lambda self: time.time_ns() + struct.unpack("<q", _seen[:8])[0]
stamped.StampedSocket._enable = lambda self: None
"""

FASTER = """
import asyncio, selectors, time
from whichhop.net import child, clock, stamped
import whichhop.daemon.assembly as assembly
import whichhop.net.timer as timer
RATE = {rate}
_utc, _mono = time.time_ns(), time.monotonic_ns()
def _mono_ns(self=None): return _mono + (time.monotonic_ns() - _mono) * RATE
clock.SystemClock.mono_ns = _mono_ns
clock.SystemClock.boot_ns = _mono_ns
clock.SystemClock.utc_ns = lambda self: _utc + (time.monotonic_ns() - _mono) * RATE
stamped.StampedSocket._enable = lambda self: None
asyncio.BaseEventLoop.time = lambda self: _mono_ns() / 1e9
_select = selectors.EpollSelector.select
def _sooner(self, timeout=None):
    return _select(self, None if timeout is None else timeout / RATE)
selectors.EpollSelector.select = _sooner
_alarm = timer.open_alarm
assembly.open_alarm = lambda loop, wake: _alarm(loop, wake, precise=False)
_run = child.run_child
async def _patient(argv, *, most_s, **more):
    return await _run(argv, most_s=most_s * RATE, **more)
assembly.run_child = _patient
import whichhop.daemon.home_in_use as home_in_use
import whichhop.daemon.run as run
run.read_home = lambda options, node: home_in_use.read_home(options, node, _patient)
"""
"""Children and the kernel live at the ordinary pace, so their time limits are stretched."""

QUICK_DRAFTS = "import whichhop.daemon.assembly as a; a.DRAFT_S = 2.0\n"
"""As shipped the open minutes are written once a minute; a test of half a minute wants to see several."""


def stepped(offset_file: Path) -> str:
    offset_file.write_bytes(bytes(8))
    return STEPPED.format(offset=str(offset_file))


def set_offset(offset_file: Path, seconds: float) -> None:
    with offset_file.open("r+b") as file:
        file.write(round(seconds * 1e9).to_bytes(8, "little", signed=True))


def faster(rate: int) -> str:
    return FASTER.format(rate=rate)
