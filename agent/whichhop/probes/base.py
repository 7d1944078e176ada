"""What every prober is: one per method, one socket shared by all its sessions, samples handed to a sink."""

import asyncio
from collections.abc import Callable, Iterable, Mapping
from typing import Protocol

from msgspec import Struct, field

from whichhop.model import Method, Sample, SessionKey
from whichhop.model.units import MonoNs, UtcNs

Sink = Callable[[SessionKey, Sample], None]


class SessionFacts(Struct, frozen=True, kw_only=True):
    """What a session knows beyond its samples, counted since the last time it was asked.

    duplicates: extra copies of answers. reordered: answers that came after one to a later packet (RFC 4737).
    late: answers to packets already given up.
    stamps: which of T1..T4 the kernel took for every answered sample, e.g. "T1 T2 T4"; "" for none.
    clock_error_ns: the larger of both ends' stated error (RFC 4656 4.1.2), None when one does not know.
    send_failures: packets the system refused to send; each is a NOT_SENT sample too.
    refused: answers that were of no use, by reason.
    """

    duplicates: int = 0
    reordered: int = 0
    late: int = 0
    stamps: str = ""
    clock_error_ns: int | None = None
    send_failures: int = 0
    refused: Mapping[str, int] = field(default_factory=dict)


class Prober(Protocol):
    """Sends test packets of one method and tells each one's fate."""

    method: Method

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        """Get the socket and listen in `loop`; SystemRefusedError with the remedy when the system refuses."""
        ...

    def send(self, key: SessionKey, address: str) -> None:
        """Send one test packet now; its sample reaches the sink later. A refusal is a sample too."""
        ...

    def gather(self) -> None:
        """Take up what waits, of a prober that does not ask the loop to be told of it."""
        ...

    def expire(self, now_ns: MonoNs) -> None:
        """Give up packets waited for too long (wire.flight.WAIT_NS); their samples reach the sink."""
        ...

    def unanswered(self, before_ns: MonoNs) -> Iterable[tuple[SessionKey, UtcNs]]:
        """Packets sent before a time whose answer may still come: each one's session and send time."""
        ...

    def facts(self, key: SessionKey) -> SessionFacts:
        """The session's facts since this was last asked; asking starts the counts again."""
        ...

    def close(self) -> None:
        """Stop listening and close the sockets; packets still waited for yield no sample."""
        ...
