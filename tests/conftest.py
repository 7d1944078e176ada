"""What holds for all tests: hypothesis sets no deadline (the machine may be busy), SIGINT is heard, and every
process of the tests has a network of its own.

In CI hypothesis draws the same examples each time, so that what CI says is about the change; everywhere
else it draws new ones, and what it finds becomes an example of its own.
"""

import fcntl
import os
import signal
import socket
import struct
import sys

from hypothesis import settings

from support import registry
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


_SIOCSIFFLAGS, _IFF_UP = 0x8914, 0x1  # linux/sockios.h, linux/if.h


def pytest_sessionstart() -> None:
    """Ports, counters and packets of the loopback are then no other test process's, and no packet leaves."""
    registry.keep_network()
    try:
        kernel.unshare(kernel.CLONE_NEWNET)
    except PermissionError:  # not root, or a container forbids it: the machine's own loopback serves
        return
    with socket.socket() as any_socket:
        fcntl.ioctl(any_socket, _SIOCSIFFLAGS, struct.pack("16sH14x", b"lo", _IFF_UP))
