"""What every prober is: one per method, one socket shared by all its sessions, samples handed to a sink."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from whichhop.model import Method, Sample, SessionKey
from whichhop.model.units import NS_PER_S, MonoNs

WAIT_NS = 3 * NS_PER_S
"""How long an answer is waited for. RFC 7680 asks for the waiting time to be an explicit parameter; 3 s is ours:
longer than any queue a home meets, short enough to tell a fault within the minute."""

Sink = Callable[[SessionKey, Sample], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionFacts:
    """What a session knows beyond its samples, counted since the last time it was asked.

    duplicates: extra copies of answers. late: answers that came after their packet was given up. reordered: answers that came before one sent earlier (RFC 4737 3.3).
    stamps: which of T1..T4 the kernel took for every packet answered, e.g. "T1 T2 T4"; "" when user space did.
    clock_error_ns: the larger of both ends' stated clock error (RFC 4656 4.1.2), None when one does not know.
    send_failures: packets the system refused to send; each is a NOT_SENT sample too.
    """

    duplicates: int = 0
    reordered: int = 0
    late: int = 0
    stamps: str = ""
    clock_error_ns: int | None = None
    send_failures: int = 0


class Prober(Protocol):
    """Sends test packets of one method and tells each one's fate."""

    method: Method

    def open(self, loop: asyncio.AbstractEventLoop) -> None:
        """Get the socket and listen in `loop`; SystemRefusedError with the remedy when the system refuses."""
        ...

    def send(self, key: SessionKey, address: str) -> None:
        """Send one test packet now; its sample reaches the sink later. Never raises for the network's sake."""
        ...

    def expire(self, now_ns: MonoNs) -> None:
        """Give up packets waited for longer than WAIT_NS; their lost samples reach the sink."""
        ...

    def facts(self, key: SessionKey) -> SessionFacts:
        """The session's facts since this was last asked; asking starts the counts again."""
        ...

    def close(self) -> None:
        """Stop listening and close the socket; packets still waited for yield no sample."""
        ...
