"""The process that fetches or fills a user's URL; aiohttp lives here and not in the daemon.

`python -m whichhop.probes.http_child`: a FetchSpec on stdin, lines like transfer_child's come out.
"""

import asyncio
import os
import socket
import struct
import sys
from collections.abc import AsyncIterator
from typing import Any
from urllib.parse import urljoin, urlsplit

import aiohttp
import msgspec
from msgspec import to_builtins

from whichhop.errors import RemoteError, WhichhopError
from whichhop.model.transfer import WIRE_SHARE
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import Clock, SystemClock
from whichhop.net.tcp import TcpInfo, prefer_cubic, tcp_info
from whichhop.printable import printable, without_secrets
from whichhop.probes.foreign_probes import Aim, ForeignProbes
from whichhop.probes.transfer_talk import FetchSpec, Reporter
from whichhop.stats.responsiveness import INTERVAL_S, Point, loaded_trips, settle, slot_rates

CONNECT_S = 8.0
STALL_S = 4.0
"""A server that sends or takes nothing for so long has stalled."""
MOST_REDIRECTS = 5
LEAST_FILE = 1_000_000
"""A smaller file ends before its rate has begun."""
LEAST_BEGUN = 65_536
"""Octets from which on data counts as moving: an error page is smaller."""
LOOK_S = 0.05
PIECE = bytes(256 * 1024)
_UNMEASURED = 2**32 - 1


class Fetcher:
    """One run: some connections that fetch or fill one URL again and again until the rate has settled."""

    def __init__(self, spec: FetchSpec, clock: Clock, report: Reporter) -> None:
        self.spec, self.clock, self.report = spec, clock, report
        self.socks: list[socket.socket] = []
        self.infos: dict[socket.socket, TcpInfo] = {}
        self.octets = 0
        self.handed = 0
        self.full = asyncio.Event()

    # --- connections ----------------------------------------------------------------------------------

    def _socket(self, found: aiohttp.AddrInfoType) -> socket.socket:
        family, kind, protocol, _, _ = found
        sock = socket.socket(family, kind, protocol)
        sock.setblocking(False)
        prefer_cubic(sock)
        # At the end what is queued is to be thrown away, so that the line is free again.
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("@ii", 1, 0))
        self.socks.append(sock)
        return sock

    def _look(self) -> list[TcpInfo]:
        """The newest numbers of every connection, closed ones as they were last seen."""
        for sock in self.socks:
            info = tcp_info(sock) if sock.fileno() >= 0 else None
            if info is not None:
                self.infos[sock] = info
        return list(self.infos.values())

    def _arrived(self, infos: list[TcpInfo]) -> int:
        """Octets that crossed the line so far, in whole segments where the kernel counts them."""
        if self.spec.way == "out":
            return sum(i.delivered_octets for i in infos)
        return sum(i.data_segs_in * i.rcv_mss for i in infos)

    async def _sent_on(self, _session: aiohttp.ClientSession, _context: object, sent: Any) -> None:
        """Follow a server only to hosts that the home file names: elsewhere the user asked for nothing."""
        to = urlsplit(urljoin(str(sent.response.url), sent.response.headers.get("Location", ""))).hostname
        if to not in (urlsplit(self.spec.url).hostname, *self.spec.hosts):
            raise RemoteError(
                f"the server sends on to {printable(to or 'nowhere')}, which the home file does not"
                " name; name the address there instead"
            )

    # --- one stream -----------------------------------------------------------------------------------

    async def _down(self, session: aiohttp.ClientSession) -> None:
        while not self.full.is_set():
            async with session.get(self.spec.url, max_redirects=MOST_REDIRECTS) as response:
                self._judge(response)
                promised, got = response.content_length, 0
                async for piece in response.content.iter_any():
                    got += len(piece)
                    self.octets += len(piece)
                    if self.full.is_set():
                        return
                if got < LEAST_FILE:
                    raise RemoteError(
                        f"the file has only {got} bytes; name one of a megabyte or more"
                        + ("" if promised in (None, got) else f" ({promised} were promised)")
                    )

    def _judge(self, response: aiohttp.ClientResponse) -> None:
        if response.status not in (200, 206):
            raise RemoteError(f"the server answered {response.status} {response.reason}; correct the address")
        if response.content_type in ("text/html", "application/xhtml+xml"):
            raise RemoteError("the server sent a page, not a file (an error, a log-in?); correct the address")

    async def _pieces(self) -> AsyncIterator[bytes]:
        most = self.spec.limit_octets / WIRE_SHARE * 15 / 16
        while not self.full.is_set() and self.handed + len(PIECE) <= most:
            self.handed += len(PIECE)
            yield PIECE

    async def _up(self, session: aiohttp.ClientSession) -> None:
        done = asyncio.Event()

        async def body() -> AsyncIterator[bytes]:
            async for piece in self._pieces():
                yield piece
            done.set()

        async with session.post(self.spec.url, data=body(), max_redirects=MOST_REDIRECTS) as response:
            if response.status >= 300:
                raise RemoteError(
                    f"the server answered {response.status} {response.reason} to what was posted; "
                    "name an address that takes uploads"
                )
            if not done.is_set() and not self.full.is_set():
                raise RemoteError(
                    "the server answered before it had taken what was posted; name another address"
                )

    # --- the run --------------------------------------------------------------------------------------

    async def run(self) -> dict[str, Any]:
        """Move data until the rate is steady or a limit is met; what was seen. RemoteError in one line."""
        timeout = aiohttp.ClientTimeout(
            total=None, sock_connect=CONNECT_S, sock_read=STALL_S if self.spec.way == "back" else None
        )
        connector = aiohttp.TCPConnector(limit=self.spec.streams, socket_factory=self._socket)
        headers = {"Accept-Encoding": "identity", "User-Agent": "whichhop"}
        traced = aiohttp.TraceConfig()
        traced.on_request_redirect.append(self._sent_on)
        before = os.times()
        async with aiohttp.ClientSession(
            connector=connector,
            timeout=timeout,
            auto_decompress=False,
            headers=headers,
            trust_env=False,
            trace_configs=[traced],
        ) as session:
            work = self._down if self.spec.way == "back" else self._up
            tasks = [asyncio.create_task(work(session)) for _ in range(self.spec.streams)]
            aim = Aim(url=self.spec.url, method="HEAD")
            beside = ForeignProbes(aim, self.clock, octets=self.spec.probe_octets)
            try:
                points, rtts, ended = await self._watch(tasks, beside)
            finally:
                beside.end()
                self.full.set()
                for task in tasks:
                    task.cancel()
                await asyncio.gather(*tasks, return_exceptions=True)
        # Not before the data has stopped: its end must not wait for a probe's.
        steps = beside.stop()
        after = os.times()
        cpu_s = after.user + after.system - before.user - before.system
        seen = self._seen(points, rtts, ended, cpu_s)
        return seen | {"beside": to_builtins(steps), "beside_octets": beside.cost_octets}

    async def _watch(
        self, tasks: list["asyncio.Task[None]"], beside: ForeignProbes
    ) -> tuple[list[Point], list[tuple[float, float]], str]:
        points: list[Point] = []
        rtts: list[tuple[float, float]] = []
        start = self.clock.mono_ns()
        while True:
            await asyncio.sleep(LOOK_S)
            for task in tasks:
                if task.done() and (trouble := task.exception()) is not None:
                    raise trouble
            infos, now = self._look(), self.clock.mono_ns()
            arrived = self._arrived(infos)
            over = all(t.done() for t in tasks)
            if not points and arrived < LEAST_BEGUN:
                if over or now - start > (CONNECT_S + STALL_S) * NS_PER_S:
                    raise RemoteError(f"nothing to speak of moved within {(now - start) / NS_PER_S:.0f} s")
                continue
            if not points:  # not before: a server that gives nothing must cost nothing
                beside.start()
            self.report.began = True
            points.append((now, arrived))
            seconds = (now - points[0][0]) / NS_PER_S
            out = self.spec.way == "out"
            trips = [info.rtt_us if out else info.rcv_rtt_us for info in infos]
            rtts += [(seconds, us / 1e3) for us in trips if us]
            self.report.progress(seconds, arrived)
            ended = self._ended(points, infos, over=over)
            if ended:
                return points, rtts, ended

    def _ended(self, points: list[Point], infos: list[TcpInfo], *, over: bool) -> str:
        """Why it is to end now, or ""."""
        out, limit = self.spec.way == "out", self.spec.limit_octets
        settled = settle(slot_rates(points))
        if settled is not None and settled.steady and not self.spec.whole:
            return "steady"
        if out:
            stalled = len(points) > STALL_S / LOOK_S and points[-1][1] == points[-int(STALL_S / LOOK_S)][1]
            if stalled and not over:
                raise RemoteError(f"the server took nothing for {STALL_S:g} s")
            full = sum(i.bytes_sent for i in infos) * WIRE_SHARE >= limit * 31 / 32
        else:
            # What is still on its way comes on top of what was counted.
            margin = max(limit / 16, self._rate(points) / 8 * 0.2)
            full = points[-1][1] * WIRE_SHARE >= limit - margin
        if full or (over and out):
            return "bytes"
        if over:
            return "broken"
        return "time" if points[-1][0] - points[0][0] >= self.spec.limit_s * NS_PER_S else ""

    @staticmethod
    def _rate(points: list[Point]) -> float:
        last = points[-5:]
        return (last[-1][1] - last[0][1]) * 8 * NS_PER_S / max(last[-1][0] - last[0][0], 1)

    def _seen(
        self, points: list[Point], rtts: list[tuple[float, float]], ended: str, cpu_s: float
    ) -> dict[str, Any]:
        infos = list(self.infos.values())
        span_ns = max(points[-1][0] - points[0][0], 1)
        rates = slot_rates(points)
        settled = settle(rates) or settle([(points[-1][1] - points[0][1]) * 8 * NS_PER_S / span_ns])
        out = self.spec.way == "out"
        resent = sum(i.bytes_retrans for i in infos) if out else 0
        crossed = sum(
            i.bytes_sent if out else max(i.bytes_received, i.data_segs_in * i.rcv_mss) for i in infos
        )
        lives_us = max(span_ns / 1000 * len(infos), 1.0)
        bases = [i.min_rtt_us / 1e6 for i in infos if i.min_rtt_us != _UNMEASURED]
        sent = {
            "seconds": span_ns / NS_PER_S,
            "octets": points[-1][1],
            "wire_octets": round(crossed * WIRE_SHARE),
            "first_octets": crossed - resent,
            "resent_octets": resent,
            "settled": to_builtins(settled) if settled else None,
            "base_rtt_s": min(bases, default=None) if out else None,
            "mean_rtt_s": sum(ms for _, ms in rtts) / len(rtts) / 1e3 if rtts and out else None,
            "busy": min(1.0, sum(i.busy_us for i in infos) / lives_us) if out else 1.0,
            "window": min(1.0, sum(i.rwnd_limited_us for i in infos) / lives_us) if out else 0.0,
            "buffer": min(1.0, sum(i.sndbuf_limited_us for i in infos) / lives_us) if out else 0.0,
            # One process does it all, whatever the number of connections.
            "cpu": cpu_s * NS_PER_S / span_ns if out else 0.0,
            "rates": slot_rates(points, slot_s=INTERVAL_S),
            "loaded": to_builtins(loaded_trips(rtts, span_ns / NS_PER_S)),
            "ended": ended,
        }
        received = {
            "seconds": span_ns / NS_PER_S,
            "octets": self.octets,
            "rate_bps": sum(rates) / len(rates) if rates and not out else None,
            "cpu": cpu_s * NS_PER_S / span_ns if not out else 0.0,
            "ended": ended,
        }
        return {"sent": sent, "received": received}


def in_words(url: str, trouble: BaseException) -> str:
    """What went wrong with a URL, in one line."""
    if isinstance(trouble, RemoteError):
        why = str(trouble)
    elif isinstance(trouble, aiohttp.TooManyRedirects):
        why = f"it redirects more than {MOST_REDIRECTS} times; name the file's own address"
    elif isinstance(trouble, aiohttp.ClientPayloadError):
        why = "the server promised more bytes than it sent; name another file"
    elif isinstance(trouble, aiohttp.SocketTimeoutError):
        why = f"the server fell silent for {STALL_S:g} s; try again later or name another"
    elif isinstance(trouble, aiohttp.ClientSSLError):
        why = f"its certificate or TLS is not in order ({trouble}); correct the address"
    elif isinstance(trouble, aiohttp.ClientConnectorError):
        why = f"no connection: {trouble.os_error.strerror or trouble.os_error}; correct the address"
    elif isinstance(trouble, aiohttp.ClientOSError) and not isinstance(
        trouble, aiohttp.ServerDisconnectedError
    ):
        why = "the server broke the connection off; name a file, or an address that takes uploads"
    else:
        why = f"not an HTTP answer ({trouble or type(trouble).__name__}); correct the address"
    return " ".join(f"{without_secrets(url)}: {why}".split())


def main() -> int:
    """One run. Exit code 0 done, 2 failed with a line said."""
    clock = SystemClock()
    report = Reporter(clock)
    spec = msgspec.json.decode(sys.stdin.buffer.readline(), type=FetchSpec)
    os.nice(5)

    async def go() -> dict[str, Any]:
        return await Fetcher(spec, clock, report).run()

    try:
        done = asyncio.run(go())
    except (aiohttp.ClientError, WhichhopError, OSError, TimeoutError, ValueError) as trouble:
        report.tell(failed=in_words(spec.url, trouble), began=report.began)
        return 2
    report.tell(done=done)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
