"""The home's one lease for transfers and its daily budget, as a state that journal lines change. Pure.

Kept by the first agent of the home file. A lease reserves its bytes before they are sent, and what was not
used is given back when it is returned; one that is never returned ends by itself and stays charged, so a
crash at any moment can only waste budget, never exceed it.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from whichhop.model.units import NS_PER_S, UtcNs

LONGEST_S = 300.0
LEAST_BYTES = 200_000
"""Below this a transfer would say nothing: it is not begun."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lease:
    """Who may move data until when (UTC ns), at most how many bytes on the wire, charged to which day."""

    number: str
    who: str
    day: str
    until_ns: int
    octets: int

    def line(self) -> dict[str, Any]:
        """As the journal keeps it."""
        return {
            "lease": self.number,
            "who": self.who,
            "day": self.day,
            "until_ns": self.until_ns,
            "octets": self.octets,
        }


@dataclass(slots=True)
class Ledger:
    """Every lease of the days still of interest, and what each used."""

    _leases: dict[str, Lease] = field(default_factory=dict)
    _used: dict[str, int] = field(default_factory=dict)

    def apply(self, line: Mapping[str, Any]) -> None:
        """Take over one journal line; one that is not understood is passed over."""
        number = line.get("lease")
        if not isinstance(number, str):
            return
        if "used" in line:
            lease = self._leases.get(number)
            if lease is not None:
                # More than was reserved is charged too: the budget tells the truth.
                self._used[number] = max(0, int(line["used"]))
            return
        self._leases[number] = Lease(
            number=number,
            who=str(line["who"]),
            day=str(line["day"]),
            until_ns=int(line["until_ns"]),
            octets=max(0, int(line["octets"])),
        )

    def spent(self, day: str) -> int:
        """Bytes charged to a day: used where a lease was returned, reserved where it was not."""
        return sum(self._used.get(n, lease.octets) for n, lease in self._leases.items() if lease.day == day)

    def held(self, now_ns: UtcNs) -> Lease | None:
        """The lease that stands now; one whose end is further off than any may be comes of a clock step."""
        for lease in self._leases.values():
            left_ns = lease.until_ns - now_ns
            if lease.number not in self._used and 0 < left_ns <= LONGEST_S * NS_PER_S:
                return lease
        return None

    def grant(
        self, *, number: str, who: str, day: str, now_ns: UtcNs, seconds: float, octets: int, budget: int
    ) -> Lease | str:
        """A lease to be journalled before it is told, or why there is none. Does not change the ledger."""
        held = self.held(now_ns)
        if held is not None:
            left_s = (held.until_ns - now_ns) / NS_PER_S
            return f"{held.who} is using the line; its lease ends within {left_s:.0f} s"
        left = budget - self.spent(day)
        if left < LEAST_BYTES:
            return (
                f"today's budget of {budget / 1e6:g} MB is used up ({max(left, 0) / 1e6:.1f} MB are left); "
                "it begins anew at midnight, or raise limits.daily_transfer_mb"
            )
        until = now_ns + round(min(seconds, LONGEST_S) * NS_PER_S)
        return Lease(number=number, who=who, day=day, until_ns=until, octets=min(octets, left))

    def lines(self, from_day: str) -> Iterator[dict[str, Any]]:
        """The ledger as a fresh journal, days before `from_day` (ISO 8601: text order is time's) left out."""
        for number, lease in self._leases.items():
            if lease.day >= from_day:
                yield lease.line()
                if number in self._used:
                    yield {"lease": number, "used": self._used[number]}
