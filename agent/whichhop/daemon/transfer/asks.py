"""What agents and the command line ask an agent for over a talk, every field within its bounds."""

from typing import Annotated, Any, Literal, TypeVar

import msgspec
from msgspec import Meta

from whichhop.outside import INT64, LONGEST_NAME, OutsideError
from whichhop.printable import printable

LONGEST_S = 300.0
"""No lease is longer, so no wish for seconds is either."""

Name = Annotated[str, Meta(max_length=LONGEST_NAME)]
Octets = Annotated[int, Meta(ge=0, le=INT64)]
Seconds = Annotated[float, Meta(gt=0, le=LONGEST_S)]


class LeaseAsk(msgspec.Struct, frozen=True, kw_only=True):
    """For the home's one lease. who: for people. anyway: though the hours are quiet or the line is busy."""

    who: Name
    seconds: Annotated[float, Meta(gt=0, le=86_400)]
    octets: Octets
    anyway: bool = False


class ReleaseAsk(msgspec.Struct, frozen=True, kw_only=True):
    """To take a lease back. used: octets on the wire."""

    lease: Name
    used: Octets


class OrderAsk(msgspec.Struct, frozen=True, kw_only=True):
    """For a transfer from the agent that is asked. octets, seconds: None for what is usual."""

    other_end: Name
    ways: Annotated[tuple[Literal["out", "back"], ...], Meta(min_length=1, max_length=2)] = ("out", "back")
    streams: Annotated[int, Meta(ge=0, le=1_000)] = 1
    octets: Octets | None = None
    seconds: Seconds | None = None
    anyway: bool = False
    whole: bool = False


T = TypeVar("T", LeaseAsk, ReleaseAsk, OrderAsk)


def asked_for(message: dict[str, Any], kind: type[T]) -> T:
    """A message as what it asks for; OutsideError in one line when it is not that."""
    try:
        return msgspec.convert(message, kind)
    except (msgspec.ValidationError, ValueError, OverflowError) as wrong:
        raise OutsideError(f"a question that is not understood: {printable(str(wrong))}") from None
