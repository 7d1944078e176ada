"""What the daemon and the process that writes to a fleet's server tell each other: JSON, a line each."""

import msgspec

from whichhop.model.fleet import Fleet


class WriteTask(msgspec.Struct, frozen=True, kw_only=True):
    """Where to write what waits in which outbox."""

    settings: Fleet
    outbox: str


class Written(msgspec.Struct, frozen=True, kw_only=True):
    """sent, given_up: values since the process began. waiting: values in the outbox. trouble: "" for none."""

    sent: int
    given_up: int
    waiting: int
    trouble: str
