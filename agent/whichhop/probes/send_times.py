"""When a packet left: two send stamps from the kernel become one time, and a queue where there was one."""

from collections.abc import Hashable
from typing import Generic, TypeVar

from whichhop.probes.sessions import Remembered

_V = TypeVar("_V")

STAMPING_NS = 50_000
"""What lies between a packet's scheduling and driver stamps when no queue does is the taking of the stamps:
2 to 10 us on a veth with every core busy, 40 us when interrupted. Only above this is it told as a queue,
which is four full frames at 1 Gb/s."""


class SendTimes(Generic[_V]):
    """Joins a packet's two send stamps into the one time it left."""

    def __init__(self) -> None:
        self._rows: Remembered[Hashable, tuple[_V, int | None]] = Remembered()

    def __len__(self) -> int:
        """Packets whose last stamp has not come."""
        return len(self._rows)

    def launched(self, token: Hashable, what: _V) -> None:
        """A packet left; its stamps will come under `token`."""
        self._rows.keep(token, (what, None))

    def stamped(
        self, token: Hashable, at_ns: int, *, scheduled: bool, scheduled_ns: int | None = None
    ) -> tuple[_V, int, int | None] | None:
        """What the token stands for, the time it left, and its driver stamp when that is known.

        scheduled_ns: the scheduling stamp, where it came just before the driver's.

        The time it left is the scheduling stamp, since what the packet then waits in this machine's own queue
        belongs to the path; it is the driver's where nothing but the stamping lies between.
        """
        row = self._rows.get(token)
        if row is None:
            return None
        what, known_ns = row
        if scheduled:
            self._rows.keep(token, (what, at_ns))
            return what, at_ns, None
        self._rows.drop(token)  # the driver's stamp is the last
        scheduled_ns = known_ns if scheduled_ns is None else scheduled_ns
        if scheduled_ns is None or at_ns - scheduled_ns < STAMPING_NS:
            return what, at_ns, at_ns
        return what, scheduled_ns, at_ns
