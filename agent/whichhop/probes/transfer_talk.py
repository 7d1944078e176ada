"""What the daemon and the process that moves a transfer's data tell each other: JSON, a line each."""

import json
import sys
from typing import Any, Literal

import msgspec

from whichhop.net.clock import Clock

MOST_STREAMS = 16

TELL_NS = 200_000_000


class TransferRequest(msgspec.Struct, frozen=True, kw_only=True):
    """One direction of one transfer. way: "out" from the asking agent, "back" to it.

    limit_octets: of everything on the wire, see model.transfer.WIRE_SHARE. whole: go on when it is steady.
    """

    way: Literal["out", "back"]
    streams: int = 1
    limit_s: float = 10.0
    limit_octets: int = 100_000_000
    whole: bool = False

    def trouble(self) -> str:
        """Why this cannot be done, or ""."""
        if not 1 <= self.streams <= MOST_STREAMS:
            return f"{self.streams} streams; 1 to {MOST_STREAMS} are possible"
        if not 0 < self.limit_s <= 120:
            return f"a limit of {self.limit_s:g} s; up to 120 s are possible"
        if self.limit_octets < 0:
            return "a negative byte limit"
        return ""


class AskSpec(msgspec.Struct, frozen=True, kw_only=True, tag="ask"):
    """Connect to an agent's transfer port and do one direction. key: the transfer key, hexadecimal.

    health_url: what is asked over fresh connections meanwhile, "" for nothing; probe_octets: at this cost.
    """

    name: str
    address: str
    port: int
    key: str
    request: TransferRequest
    health_url: str = ""
    probe_octets: int = 0


class AnswerSpec(msgspec.Struct, frozen=True, kw_only=True, tag="answer"):
    """Go on with a talk that the daemon opened. waiting: octets already read past it, hexadecimal.

    feed_fd: the socket through which the daemon hands in the data connections, one descriptor a message.
    """

    other_end: str
    control_fd: int
    feed_fd: int
    session: str
    said: int
    heard: int
    waiting: str
    request: TransferRequest


class FetchSpec(msgspec.Struct, frozen=True, kw_only=True, tag="fetch"):
    """Fetch a URL over and over (way "back"), or post to it ("out"), with `streams` connections at once.

    hosts: where the server may send us on to, beside the URL's own.
    limit_octets, whole: as in transfer_talk. probe_octets: what fresh connections beside it may cost.
    """

    url: str
    way: Literal["out", "back"]
    streams: int = 1
    limit_s: float = 10.0
    limit_octets: int = 100_000_000
    whole: bool = False
    probe_octets: int = 0
    hosts: tuple[str, ...] = ()


class Reporter:
    """`began` tells whether any data may have moved yet, and with it whether a failure cost anything."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._next_ns = clock, 0
        self.began = False

    def progress(self, seconds: float, octets: int) -> None:
        """So far."""
        self.began = True
        now = self._clock.mono_ns()
        if now >= self._next_ns:
            self._next_ns = now + TELL_NS
            self.tell(progress={"seconds": round(seconds, 2), "octets": octets})

    @staticmethod
    def tell(**message: Any) -> None:
        """One line to stdout."""
        sys.stdout.write(json.dumps(message) + "\n")
        sys.stdout.flush()
