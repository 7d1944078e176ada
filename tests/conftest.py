"""What holds for all tests: hypothesis sets no deadline (the machine may be busy), SIGINT is heard, every
process of the tests has a network of its own, and what goes together where several processes share the tests.

In CI hypothesis draws the same examples each time, so that what CI says is about the change; everywhere
else it draws new ones, and what it finds becomes an example of its own.
"""

import fcntl
import gc
import os
import signal
import socket
import struct
import sys
from collections.abc import Generator
from functools import cache
from pathlib import Path

import pytest
from hypothesis import settings
from xdist.scheduler import LoadFileScheduling  # type: ignore[import-untyped]

from support import registry
from support.processor_time import Spent
from whichhop.lab.build import kernel

# Each agent and child that a test starts would compile its two hundred modules anew: a third of their start.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

settings.register_profile("whichhop", deadline=None, derandomize=os.environ.get("CI") == "true")
settings.load_profile("whichhop")

# A shell that starts the tests in its background has them ignore SIGINT, and what they start inherits that;
# some programs are interrupted on purpose.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


TOP = Path(__file__).parents[1]
_SIOCSIFFLAGS, _IFF_UP = 0x8914, 0x1  # linux/sockios.h, linux/if.h


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--processor-time", action="store_true", help="tell what each file takes of the processors"
    )


def pytest_configure(config: pytest.Config) -> None:
    """Each process of the tests counts for itself."""
    if config.getoption("--processor-time"):
        config.pluginmanager.register(Spent())


def pytest_sessionstart() -> None:
    """Ports, counters and packets of the loopback are then no other test process's, and no packet leaves."""
    registry.keep_network()
    try:
        kernel.unshare(kernel.CLONE_NEWNET)
    except PermissionError:  # not root, or a container forbids it: the machine's own loopback serves
        return
    with socket.socket() as any_socket:
        fcntl.ioctl(any_socket, _SIOCSIFFLAGS, struct.pack("16sH14x", b"lo", _IFF_UP))


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Modules and tests, once collected, stay to the end: rubbish is neither looked for while they come, nor
    among them later, for which each test, and the looking five times at the end, would pay."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()


class _TogetherWhatShares(LoadFileScheduling):  # type: ignore[misc]
    """`--dist loadfile`, but only what shares something costly stays together; other tests go where there is
    room, so that the last file of long waits is not waited for by itself."""

    def _split_scope(self, nodeid: str) -> str:
        file: str = super()._split_scope(nodeid)
        return file if _shares(file) else nodeid


@cache
def _shares(file: str) -> bool:
    """Whether tests of a file share a fixture of its module, the browser, or this machine's ports."""
    browser = "browser" in Path(file).parts
    return browser or os.geteuid() != 0 or 'scope="module"' in (TOP / file).read_text()


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """Of several processes' work."""
    return _TogetherWhatShares(config, log) if config.getvalue("dist") == "loadfile" else None
