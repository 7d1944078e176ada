"""Who may stay connected to a listening port: so many in all, so many from one address. Pure.

A connection that has shown nothing yet costs a stranger nothing, so it is what makes room: the oldest such
connection goes, of whichever address holds most. Nobody can so keep the others out by holding places.
"""

from collections.abc import Hashable
from typing import Generic, TypeVar

C = TypeVar("C", bound=Hashable)


class Places(Generic[C]):
    """Book of the connections of one port. A connection is at work while it has shown what it came for."""

    def __init__(self, most: int, most_each: int) -> None:
        """most: in all. most_each: of one address, from its first connection on."""
        self._most, self._most_each = most, most_each
        self._address: dict[C, str] = {}  # in the order they came
        self._held: dict[str, int] = {}
        self._at_work: set[C] = set()
        self.refused = 0
        """Connections that were closed to make room, or had none."""

    def __len__(self) -> int:
        return len(self._address)

    def enter(self, connection: C, address: str) -> C | None:
        """One more connection; which one is to be closed for it, perhaps itself. None: there is room."""
        out: C | None = None
        if self._held.get(address, 0) >= self._most_each:
            out = self._idle_of(connection, address)
        elif len(self._address) >= self._most:
            busiest = max(self._held, key=lambda a: self._held[a])
            out = self._idle_of(connection, busiest, None)
        if out is not None:
            self.refused += 1
            self.leave(out)
        if out is not connection:
            self._address[connection] = address
            self._held[address] = self._held.get(address, 0) + 1
        return out

    def _idle_of(self, newcomer: C, *addresses: str | None) -> C:
        """The oldest that is not at work, of the first address with one; None: any. Else the newcomer."""
        for address in addresses:
            for connection, its in self._address.items():
                if address in (its, None) and connection not in self._at_work:
                    return connection
        return newcomer

    def at_work(self, connection: C, *, is_so: bool) -> None:
        """Whether a connection is at work now, and not to be closed for another's sake."""
        if not is_so:
            self._at_work.discard(connection)
        elif connection in self._address:
            self._at_work.add(connection)

    def leave(self, connection: C) -> None:
        """A connection is gone, or will be at once; also one that was never let in."""
        address = self._address.pop(connection, None)
        self._at_work.discard(connection)
        if address is not None:
            self._held[address] -= 1
            if not self._held[address]:
                del self._held[address]
