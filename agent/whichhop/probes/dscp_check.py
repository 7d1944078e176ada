"""DSCP check for the daemon: sends STAMP packets of one DSCP and asks the reflector which arrived."""

import asyncio
import contextlib
import socket
import struct
from collections.abc import Callable
from dataclasses import dataclass

from whichhop.errors import SystemRefusedError
from whichhop.net.clock import Clock, both_ns
from whichhop.net.stamped import IP_TOS, IPV6_TCLASS, StampedSocket, numeric_address
from whichhop.net.udp import open_udp
from whichhop.wire.dscp import EXPEDITED, DscpFate, judge_dscp
from whichhop.wire.ntp64 import ErrorEstimate
from whichhop.wire.stamp import DEFAULT_PORT
from whichhop.wire.stamp_sender import StampSender

TRIES = 3
WAIT_S = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class DscpCheck:
    """What was found: the DSCP sent, the one that arrived (None when not told), and what that means."""

    sent: int
    seen: int | None
    fate: DscpFate


async def check_dscp(
    address: str,
    clock: Clock,
    estimate: Callable[[], ErrorEstimate],
    *,
    ssid: int,
    dscp: int = EXPEDITED,
    port: int = DEFAULT_PORT,
    key: bytes | None = None,
    tries: int = TRIES,
    wait_s: float = WAIT_S,
) -> DscpCheck:
    """Whether the way out to a STAMP reflector keeps a DSCP (RFC 8972 4.4, Class of Service).

    ssid: drawn at random, 1..65535. At most `tries` packets. A reflector that knows only RFC 8762 copies the
    question unread, so the answer is UNKNOWN, as it is when nothing comes back. SystemRefusedError when this
    machine gives no socket or `address` is not numeric.
    """
    try:
        family, where = numeric_address(address, port)
    except OSError as err:
        raise SystemRefusedError(
            f"{address!r} is not a numeric address; write one such as 192.0.2.1"
        ) from err
    sender = StampSender(ssid=ssid, estimate=estimate(), key=key, extended=False, dscp=dscp)
    udp = open_udp("0.0.0.0" if family == socket.AF_INET else "::", 0, clock, kernel_stamps=False)  # noqa: S104 - a client's socket
    level, option = (
        (socket.IPPROTO_IP, IP_TOS) if family == socket.AF_INET else (socket.IPPROTO_IPV6, IPV6_TCLASS)
    )
    class_of_service = (level, option, struct.pack("=i", dscp << 2))
    udp.stamp_sends(False)  # one that came back would wake the reader before the answer
    with contextlib.closing(udp):
        for _ in range(tries):
            packet = sender.ask(*both_ns(clock))
            # A send that fails now may succeed the next time; in the end it is told as UNKNOWN.
            with contextlib.suppress(OSError):
                udp.send(packet, where, extra=(class_of_service,))
            await _read(udp, sender, clock, wait_s)
            if sender.seen_classes is not None:
                break
    seen = None if sender.seen_classes is None else sender.seen_classes.dscp2
    return DscpCheck(sent=dscp, seen=seen, fate=judge_dscp(dscp, seen))


async def _read(udp: StampedSocket, sender: StampSender, clock: Clock, wait_s: float) -> None:
    """Wait for one answer, and hand what came to the sender."""
    loop, ready = asyncio.get_running_loop(), asyncio.Event()
    loop.add_reader(udp.fileno(), ready.set)
    try:
        await asyncio.wait_for(ready.wait(), wait_s)
    except TimeoutError:
        return
    finally:
        loop.remove_reader(udp.fileno())
    datagrams = udp.receive()
    utc_ns, mono_ns = both_ns(clock)
    for datagram in datagrams:
        sender.answer(datagram.data, t4_ns=datagram.at_ns, utc_ns=utc_ns, mono_ns=mono_ns)
