"""What the daemon and the process that writes to a fleet's server tell each other: JSON, a line each."""

from typing import Annotated

import msgspec

from whichhop.model.fleet import Fleet
from whichhop.outside import INT64

Count = Annotated[int, msgspec.Meta(ge=0, le=INT64)]


class WriteTask(msgspec.Struct, frozen=True, kw_only=True):
    """Where to write what waits in which outbox."""

    settings: Fleet
    outbox: str


class Written(msgspec.Struct, frozen=True, kw_only=True):
    """sent, given_up: values since the process began. waiting: values in the outbox. trouble: "" for none."""

    sent: Count
    given_up: Count
    waiting: Count
    trouble: str
