"""An invitation: one code, one machine, some minutes, three tries; then it is over. Pure.

What counts is what a stranger could learn from: each proof by a wrong code is one guess of it. Exchanges that
end before a proof tell a stranger nothing, but cost this machine a moment each, so they too are bounded.
"""

from dataclasses import dataclass
from enum import StrEnum

from whichhop.model.units import MonoNs

TRIES = 3
MOST_EXCHANGES = 60
"""Begun and not ended by a proof; a person with a bad connection begins a few."""


class Over(StrEnum):
    """Why a code is good no more; each is the line that both people read."""

    USED = "this code was used by another machine just now; ask for a new one with `whichhop invite`"
    EXPIRED = "this code has expired; ask for a new one with `whichhop invite`"
    LOCKED = f"{TRIES} wrong codes were tried, so this code is locked; ask for a new one: `whichhop invite`"
    FLOODED = (
        f"{MOST_EXCHANGES} talks were begun and not gone on with, so this code is locked; look for what"
        " does this, and ask for a new code with `whichhop invite`"
    )


@dataclass(slots=True)
class Invitation:
    """code: its letters. ends_ns: when it expires, on the clock that `now_ns` is read from."""

    code: str
    ends_ns: MonoNs
    wrong: int = 0
    exchanges: int = 0
    used: bool = False

    def over(self, now_ns: MonoNs) -> Over | None:
        """Why it is good no more, or None while it is."""
        if self.used:
            return Over.USED
        if self.wrong >= TRIES:
            return Over.LOCKED
        if self.exchanges >= MOST_EXCHANGES:
            return Over.FLOODED
        return Over.EXPIRED if now_ns >= self.ends_ns else None

    def begun(self) -> None:
        """Somebody was given a share."""
        self.exchanges += 1

    def tried(self, *, right: bool) -> None:
        """Somebody showed a proof; a right one uses the code up, whatever becomes of that talk."""
        self.exchanges -= 1
        if right:
            self.used = True
        else:
            self.wrong += 1
