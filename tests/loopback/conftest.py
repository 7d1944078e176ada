"""Kernel stamping is switched on for the whole session.

The kernel switches receive stamps on for the first socket that asks, in the background, off with the last;
a packet received in between has none. Tests of stamps must not depend on who was first.
"""

import time
from collections.abc import Iterator

import pytest

from whichhop.net.clock import SystemClock
from whichhop.net.udp import open_udp


@pytest.fixture(scope="session", autouse=True)
def _stamping() -> Iterator[None]:
    udp = open_udp("127.0.0.1", 0, SystemClock())
    for _ in range(400):
        udp.send(b"x", udp.socket.getsockname())
        if any(d.kernel for d in udp.receive()):
            break
        time.sleep(0.005)  # noqa: TID251 - waits for the kernel's own background work
    yield
    udp.close()
