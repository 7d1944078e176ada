"""Has an agent measure a transfer, and hears how it goes; blocking."""

from collections.abc import Callable
from typing import Any

from whichhop.errors import RemoteError
from whichhop.probes.transfer_line import Line

PATIENCE_S = 10.0
SILENCE_S = 200.0
"""Longer than a lease is waited for; an agent at work says something several times a second."""


def order_transfer(
    address: str,
    port: int,
    key: bytes,
    hear: Callable[[dict[str, Any]], None],
    *,
    silence_s: float = SILENCE_S,
    **order: Any,
) -> list[dict[str, Any]]:
    """The results, a mapping a direction; RemoteError, with the agent's reason, where there are none.

    key: the home's key for transfers. hear: takes what the agent says meanwhile. order: other_end, ways,
    streams, seconds, octets, anyway, whole, as the agent takes them.
    """
    with Line.dial(address, port, key=key, name="command line", seconds=PATIENCE_S) as line:
        line.sock.settimeout(silence_s)
        line.say(ask="order", **order)
        while True:
            said = line.hear()
            if "refused" in said:
                raise RemoteError(f"no transfer: {said['refused']}")
            if "results" in said:
                found: list[dict[str, Any]] = said["results"]
                return found
            hear(said)
