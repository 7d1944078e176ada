"""Has an agent measure a transfer, and hears how it goes; blocking. What the agent says is checked here."""

from collections.abc import Callable
from typing import Annotated, Any

import msgspec
from msgspec import Meta, to_builtins

from whichhop.errors import RemoteError
from whichhop.model.transfer import TransferResult
from whichhop.outside import INT64, OutsideError, plain
from whichhop.probes.transfer_line import Line

PATIENCE_S = 10.0
SILENCE_S = 200.0
"""Longer than a lease is waited for; an agent at work says something several times a second."""
_LONGEST_S = 86_400.0
Seconds = Annotated[float, Meta(ge=0, le=_LONGEST_S)]
Octets = Annotated[int, Meta(ge=0, le=INT64)]


class Begins(msgspec.Struct, frozen=True, kw_only=True):
    """One direction begins, and lasts at most limit_s."""

    agent: str
    other_end: str
    way: str
    limit_s: Annotated[float, Meta(gt=0, le=_LONGEST_S)]


class Progress(msgspec.Struct, frozen=True, kw_only=True):
    """How far it is."""

    seconds: Seconds
    octets: Octets


class Meanwhile(msgspec.Struct, frozen=True, kw_only=True):
    """One of these, or none that this version knows."""

    waiting: str = ""
    begins: Begins | None = None
    progress: Progress | None = None
    judging: bool = False


class Today(msgspec.Struct, frozen=True, kw_only=True):
    """Octets that transfers of today have used and may use, and who moves data now."""

    spent: Octets
    budget: Octets
    held: str | None = None


def order_transfer(
    address: str,
    port: int,
    key: bytes,
    hear: Callable[[Meanwhile], None],
    *,
    silence_s: float = SILENCE_S,
    **order: Any,
) -> list[dict[str, Any]]:
    """The results, a TransferResult's fields and at_least a direction; RemoteError where there are none.

    key: the home's key for transfers. hear: takes what the agent says meanwhile. order: other_end, ways,
    streams, seconds, octets, anyway, whole, as the agent takes them.
    """
    with Line.dial(address, port, key=key, name="command line", seconds=PATIENCE_S) as line:
        line.sock.settimeout(silence_s)
        line.say(ask="order", **order)
        while True:
            said = line.hear()
            try:
                if "refused" in said:
                    raise RemoteError(f"no transfer: {plain(said['refused'], line.where, str)}")
                if "results" in said:
                    found = plain(said["results"], line.where, list[TransferResult])
                    return [to_builtins(one) | {"at_least": one.at_least} for one in found]
                hear(plain(said | {"judging": "judging" in said}, line.where, Meanwhile))
            except OutsideError as wrong:
                raise RemoteError(str(wrong)) from None


def transfers_today(address: str, port: int, key: bytes, *, seconds: float) -> Today:
    """What the agent that keeps the budget says of today; RemoteError when it says nothing of it."""
    with Line.dial(address, port, key=key, name="command line", seconds=seconds) as line:
        line.say(ask="today")
        try:
            return plain(line.hear(), line.where, Today)
        except OutsideError as wrong:
            raise RemoteError(str(wrong)) from None
