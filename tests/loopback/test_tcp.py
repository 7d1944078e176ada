"""Filling and emptying TCP connections, over loopback: nothing lost of the count, a small budget shared."""

import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack

import pytest

from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.tcp import Emptier, Filler, connect, drop, make_bulk
from whichhop.probes.kinds.bulk_sender import Allowance

pytestmark = pytest.mark.waits

SLOW_OCTETS = 1 << 16
"""A path whose buffers hold about this much and which nobody empties."""


@pytest.fixture
def connected() -> Iterator[Callable[[], tuple[socket.socket, socket.socket]]]:
    """Makes connections with small buffers: (ours, theirs), both set up for bulk data."""
    with ExitStack() as stack, socket.create_server(("127.0.0.1", 0)) as listener:
        # Handed on to what is accepted; a buffer that was set is not tuned by the kernel any more.
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, SLOW_OCTETS)

        def make() -> tuple[socket.socket, socket.socket]:
            near = stack.enter_context(connect("127.0.0.1", listener.getsockname()[1], seconds=5))
            far = stack.enter_context(listener.accept()[0])
            near.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SLOW_OCTETS)
            make_bulk(near)
            make_bulk(far)
            return near, far

        yield make


def _until(true: Callable[[], bool], seconds: float = 10) -> bool:
    """Whether it became true in time."""
    clock = SystemClock()
    end = clock.mono_ns() + seconds * 1e9
    while not (met := true()) and clock.mono_ns() < end:
        sleep_s(0.005)
    return met


def test_what_one_end_sends_the_other_counts_to_the_octet(
    connected: Callable[[], tuple[socket.socket, socket.socket]],
) -> None:
    near, far = connected()
    filler = Filler(near, Allowance(5_000_001).take, threading.Event())
    emptier = Emptier(far, threading.Event())
    for each in (filler, emptier):
        each.thread.start()
    filler.thread.join(timeout=20)
    near.shutdown(socket.SHUT_WR)
    emptier.thread.join(timeout=20)
    assert emptier.ended
    assert not filler.broken
    assert filler.octets == emptier.octets == 5_000_001


def test_what_arrived_is_known_while_the_call_that_takes_it_still_waits(
    connected: Callable[[], tuple[socket.socket, socket.socket]],
) -> None:
    near, far = connected()
    # More patience than shipped, so that a late machine does not end the call before it is looked at.
    far.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, struct.pack("@ll", 5, 0))
    stop = threading.Event()
    emptier = Emptier(far, stop)
    emptier.thread.start()
    near.send(bytes(1_000))
    assert _until(lambda: emptier.arrived == 1_000)
    near.send(bytes(500))
    assert _until(lambda: emptier.arrived == 1_500)
    assert emptier.octets == 0
    # The call's own count follows when its patience ends, though no block is full.
    assert _until(lambda: emptier.octets == 1_500)
    stop.set()
    drop(near)
    emptier.thread.join(timeout=10)


def test_a_small_budget_is_shared_by_the_streams_of_a_slow_path(
    connected: Callable[[], tuple[socket.socket, socket.socket]],
) -> None:
    pairs = [connected() for _ in range(4)]
    allowance, stop = Allowance(4 << 20), threading.Event()
    fillers = [Filler(near, allowance.take, stop) for near, _ in pairs]
    for each in fillers:
        each.thread.start()
    # Nobody reads: every stream fills its buffers and waits, none has eaten the others' share.
    assert _until(lambda: all(f.octets > 0 for f in fillers))
    assert not allowance.spent
    stop.set()
    for each in fillers:
        drop(each.sock)
        each.thread.join(timeout=10)
