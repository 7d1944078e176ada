"""Fresh connections beside a transfer, ten a second: how long TCP, TLS and HTTP each take while it runs.

The foreign probes of the IETF draft on responsiveness. HTTP asks for the least that its server takes: GET of
an agent's /health, HEAD of a user's URL. A step counts when it began past slow start and ended before
the transfer did: what waits longer than that is left out, as the draft leaves out probes that did not end.
"""

import contextlib
import socket
import ssl
import threading
from urllib.parse import urlsplit

from msgspec import Struct, field

from whichhop.model.units import NS_PER_S, MonoNs
from whichhop.net.clock import Clock, sleep_s

EVERY_S = 0.1
MOST_AT_ONCE = 16
"""The draft's own bound; it allows 100 probes a second, which a home's line could feel."""
PATIENCE_S = 5.0
SKIP_S = 1.0
"""As the rate leaves slow start out (stats/steady)."""
PLAIN_OCTETS, TLS_OCTETS = 1_600, 9_000
"""What one probe costs on the wire at most: handshake, question, answer, end; certificates with TLS."""


class Aim(Struct, frozen=True, kw_only=True):
    """Where to. url: of the server; method: what is asked of it."""

    url: str
    method: str = "HEAD"

    @property
    def tls(self) -> bool:
        """Whether a TLS handshake is part of it."""
        return urlsplit(self.url).scheme == "https"

    @property
    def octets(self) -> int:
        """What one probe costs at most."""
        return TLS_OCTETS if self.tls else PLAIN_OCTETS


class Steps(Struct):
    """Milliseconds of every step that counts, with the time of its end in s since the transfer began."""

    tcp: list[tuple[float, float]] = field(default_factory=list)
    tls: list[tuple[float, float]] = field(default_factory=list)
    http: list[tuple[float, float]] = field(default_factory=list)
    failed: int = 0
    begun: int = 0


class ForeignProbes:
    """`start` when the data begins, `end` at its end, then `stop`; `octets` is what they may cost."""

    def __init__(self, aim: Aim, clock: Clock, *, octets: int) -> None:
        self._aim, self._clock, self._left = aim, clock, octets // max(aim.octets, 1)
        self._lock, self._over = threading.Lock(), threading.Event()
        self._steps, self._start_ns = Steps(), 0
        self._places = threading.Semaphore(MOST_AT_ONCE)
        self._runner = threading.Thread(target=self._run, daemon=True)
        self._context = ssl.create_default_context() if aim.tls else None

    def start(self) -> None:
        """From now on."""
        self._start_ns = self._clock.mono_ns()
        self._runner.start()

    def end(self) -> None:
        """The data ends now: probes under way are left to end by themselves and count no more."""
        self._over.set()

    def stop(self) -> Steps:
        """What was seen until the end; waits for the thread that starts probes, not for the probes."""
        self.end()
        if self._runner.ident is not None:
            self._runner.join()
        with self._lock:
            return self._steps

    @property
    def cost_octets(self) -> int:
        """What they cost at most so far."""
        return self._steps.begun * self._aim.octets

    def _run(self) -> None:
        due = self._start_ns + int(SKIP_S * NS_PER_S)
        while not self._over.is_set() and self._left > 0:
            wait_s = (due - self._clock.mono_ns()) / NS_PER_S
            if wait_s > 0:
                sleep_s(min(wait_s, 0.05))
                continue
            due += int(EVERY_S * NS_PER_S)
            if self._places.acquire(blocking=False):
                self._left -= 1
                self._steps.begun += 1
                threading.Thread(target=self._probe, daemon=True).start()

    def _probe(self) -> None:
        try:
            self._go()
        except (OSError, ValueError):
            if not self._over.is_set():
                with self._lock:
                    self._steps.failed += 1
        finally:
            self._places.release()

    def _go(self) -> None:
        parts = urlsplit(self._aim.url)
        host, port = parts.hostname or "", parts.port or (443 if self._aim.tls else 80)
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        sock = socket.socket(family, kind, protocol)
        try:
            sock.settimeout(PATIENCE_S)
            began = self._clock.mono_ns()
            sock.connect(address)
            began = self._count(self._steps.tcp, began)
            if self._context is not None:
                sock = self._context.wrap_socket(sock, server_hostname=host)
                began = self._count(self._steps.tls, began)
            place = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
            sock.sendall(
                f"{self._aim.method} {place} HTTP/1.1\r\nHost: {parts.netloc}\r\nConnection: close\r\n"
                "User-Agent: whichhop\r\nAccept-Encoding: identity\r\n\r\n".encode()
            )
            # Any answer is a round trip, a refusal too; its first octets are enough.
            if sock.recv(64).startswith(b"HTTP/"):
                self._count(self._steps.http, began)
        finally:
            with contextlib.suppress(OSError):
                sock.close()

    def _count(self, steps: list[tuple[float, float]], began_ns: MonoNs) -> MonoNs:
        now = self._clock.mono_ns()
        with self._lock:
            if not self._over.is_set():
                steps.append(((now - self._start_ns) / NS_PER_S, (now - began_ns) / 1e6))
        return now
