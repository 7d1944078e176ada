"""Path MTU check for the daemon: sends the sizes that wire.path_mtu asks for, and gives its result."""

import asyncio
import contextlib

from whichhop.errors import SystemRefusedError
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import Clock
from whichhop.net.sized_echo import SizedEchoSocket
from whichhop.net.stamped import numeric_address
from whichhop.wire.icmp import HEADER_OCTETS, Echo, Family, pack_echo, strip_ipv4, unpack
from whichhop.wire.path_mtu import SIZES, PathMtu, SizeSearch, echo_payload_octets
from whichhop.wire.quoted import Refusal

PROBE_TIMER_S = 1.0
"""RFC 8899 5.1.1 recommends 15 s and forbids less than 1 s; a home's paths answer within one."""


async def check_path_mtu(
    address: str,
    clock: Clock,
    *,
    ident: int,
    sizes: tuple[int, ...] = SIZES,
    probe_timer_s: float = PROBE_TIMER_S,
) -> PathMtu:
    """Which of `sizes` pass whole to a numeric address that answers echo, don't-fragment set.

    ident: 16 random bits that mark our packets on a raw socket. At most 9 packets with the usual sizes.
    SystemRefusedError when no ICMP socket is to be had, or this machine has no way to the target.
    """
    try:
        family, where = numeric_address(address, 0)
        sock = SizedEchoSocket(family, where, ident)
    except OSError as err:
        raise SystemRefusedError(
            f"no way to {address} from this machine: {err.strerror}; check its network"
        ) from err
    asking = _Asking(sock, Family.V6 if ":" in address else Family.V4, clock, probe_timer_s)
    search = SizeSearch(sizes=sizes)
    with contextlib.closing(sock):
        while (size := search.step()) is not None:
            await asking.ask(size, search)
    return search.result()


class _Asking:
    """Sends one request at a time and tells the search what came of it."""

    def __init__(self, sock: SizedEchoSocket, family: Family, clock: Clock, timer_s: float) -> None:
        self._socket, self._family, self._clock, self._timer_s = sock, family, clock, timer_s
        self._seq = 0

    async def ask(self, size: int, search: SizeSearch) -> None:
        self._seq += 1
        payload = bytes(echo_payload_octets(size, self._family.value))
        echo = Echo(reply=False, ident=self._socket.ident, seq=self._seq, payload=payload)
        try:
            own_mtu = self._socket.send(pack_echo(echo, self._family))
        except OSError:
            # A neighbour that does not answer, or a full queue: no proof of a size, and not to be hurried.
            await asyncio.sleep(self._timer_s)
            search.lost()
            return
        if own_mtu is not None:
            search.too_big(own_mtu)
            return
        end_ns = self._clock.mono_ns() + int(self._timer_s * NS_PER_S)
        while not self._settled(len(payload), search):
            left_s = (end_ns - self._clock.mono_ns()) / NS_PER_S
            if left_s <= 0 or not await self._readable(left_s):
                search.lost()
                return

    async def _readable(self, limit_s: float) -> bool:
        loop, ready = asyncio.get_running_loop(), asyncio.Event()
        loop.add_reader(self._socket.fileno(), ready.set)
        try:
            await asyncio.wait_for(ready.wait(), limit_s)
        except TimeoutError:
            return False
        finally:
            loop.remove_reader(self._socket.fileno())
        return True

    def _settled(self, octets: int, search: SizeSearch) -> bool:
        """True once the present request's fate has come in; the search is then told."""
        for message in self._socket.messages():
            body = strip_ipv4(message) if self._socket.raw else message
            found = body if isinstance(body, Refusal) else unpack(body, self._family)
            if not isinstance(found, Echo) or not found.reply or found.ident != self._socket.ident:
                continue
            # A reply shorter than what was asked does not show that the size passes.
            if found.seq == self._seq and len(found.payload) == octets:
                search.passed()
                return True
        for report in self._socket.reports():
            if len(report.message) >= HEADER_OCTETS and int.from_bytes(report.message[6:8]) == self._seq:
                search.too_big(report.mtu)
                return True
        return False
