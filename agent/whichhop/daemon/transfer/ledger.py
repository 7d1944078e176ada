"""The home's one lease for transfers and its daily budget. Pure.

Kept by the first agent of the home file. A lease reserves its bytes before they are sent, and what was not
used is given back when it is returned; one that is never returned ends by itself and stays charged, so a
crash at any moment can only waste budget, never exceed it.
"""

from collections.abc import Iterable
from dataclasses import replace

from whichhop.model.transfer import Lease
from whichhop.model.units import NS_PER_S, UtcNs

LONGEST_S = 300.0
LEAST_BYTES = 200_000
"""Below this a transfer would say nothing: it is not begun."""


class Ledger:
    """Every lease of the days still of interest, and what each used."""

    def __init__(self, leases: Iterable[Lease] = ()) -> None:
        """leases: as they were kept on the disk."""
        self._leases = {lease.number: lease for lease in leases}

    def put(self, lease: Lease) -> None:
        """Take a lease over, granted or returned, once it is on the disk."""
        self._leases[lease.number] = lease

    def all(self) -> list[Lease]:
        """Every lease, for a disk that has forgotten them."""
        return list(self._leases.values())

    def returned(self, number: str, used: int) -> Lease | None:
        """A lease as it is charged once it is returned; None for one that was never granted."""
        lease = self._leases.get(number)
        return None if lease is None else replace(lease, used=max(0, used))

    def spent(self, day: str) -> int:
        """Bytes charged to a day: used where a lease was returned, reserved where it was not."""
        return sum(lease.charged for lease in self._leases.values() if lease.day == day)

    def forget_before(self, day: str) -> None:
        """Drop the leases of earlier days (ISO 8601: the order of text is that of time)."""
        self._leases = {n: lease for n, lease in self._leases.items() if lease.day >= day}

    def held(self, now_ns: UtcNs) -> Lease | None:
        """The lease that stands now; one whose end is further off than any may be comes of a clock step."""
        for lease in self._leases.values():
            left_ns = lease.until_ns - now_ns
            if lease.used is None and 0 < left_ns <= LONGEST_S * NS_PER_S:
                return lease
        return None

    def grant(
        self, *, number: str, who: str, day: str, now_ns: UtcNs, seconds: float, octets: int, budget: int
    ) -> Lease | str:
        """A lease to be kept on the disk before it is told, or why there is none. Changes nothing."""
        held = self.held(now_ns)
        if held is not None:
            left_s = (held.until_ns - now_ns) / NS_PER_S
            return f"{held.who} is using the line; its lease ends within {left_s:.0f} s"
        left = budget - self.spent(day)
        if left < LEAST_BYTES:
            return (
                f"today's budget of {budget / 1e6:g} MB is used up ({max(left, 0) / 1e6:.1f} MB are left); "
                "it begins again at midnight, or raise limits.daily_transfer_mb"
            )
        until = now_ns + round(min(seconds, LONGEST_S) * NS_PER_S)
        return Lease(number=number, who=who, day=day, until_ns=until, octets=min(octets, left))
