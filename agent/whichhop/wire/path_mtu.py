"""Which packet sizes pass a path whole: RFC 8899's search over a short list of sizes, largest first. Pure.

`step` says what to send; `passed`, `lost` and `too_big` tell what came of it. Sizes are whole IP packets.
"""

from enum import StrEnum

from msgspec import Struct, field

SIZES = (1500, 1492, 1280)
"""Plain Ethernet; PPPoE's 8 octets less (RFC 2516); IPv6's least (RFC 8200 section 5)."""
MAX_PROBES = 3
"""RFC 8899 5.1.2: a size is given up only after so many lost probes in a row, for one loss proves nothing."""


class SizeOutcome(StrEnum):
    """What became of one size."""

    PASSED = "passed"
    TOO_BIG = "too-big"
    """A router said so (RFC 1191, RFC 8201)."""
    SWALLOWED = "swallowed"
    """Lost every time though a smaller size passed: a router drops without a word."""
    UNKNOWN = "unknown"
    """Not tried, or lost while nothing smaller passed either."""


class PathMtu(Struct, frozen=True, kw_only=True):
    """The end of a search.

    size: the largest tried size that passed; None when none did, which says nothing of sizes: the target
    may not answer at all. told: the least MTU that a router reported, None when none spoke.
    """

    size: int | None
    told: int | None
    outcomes: dict[int, SizeOutcome]

    @property
    def swallowed(self) -> int | None:
        """The smallest size that vanished without a word though a smaller one passed; None for none."""
        lost = [s for s, outcome in self.outcomes.items() if outcome is SizeOutcome.SWALLOWED]
        return min(lost, default=None)


class SizeSearch(Struct):
    """One search. Feed it the fate of each probe before asking for the next."""

    sizes: tuple[int, ...] = SIZES
    max_probes: int = MAX_PROBES
    _at: int = 0
    _losses: int = 0
    _told: int | None = None
    _passed: bool = False
    _lost: list[int] = field(default_factory=list)
    _refused: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        if list(self.sizes) != sorted(set(self.sizes), reverse=True) or not self.sizes or self.max_probes < 1:
            raise ValueError(f"sizes {self.sizes} must fall, with at least one probe each")

    def step(self) -> int | None:
        """The size to send next, with the don't-fragment bit; None when the search is over."""
        return None if self._passed or self._at >= len(self.sizes) else self.sizes[self._at]

    def passed(self) -> None:
        """The probe was answered whole: no larger size is left to try."""
        self._passed = True

    def lost(self) -> None:
        """The probe was not answered in time."""
        self._losses += 1
        if self._losses >= self.max_probes:
            self._lost.append(self.sizes[self._at])
            self._next()

    def too_big(self, mtu: int) -> None:
        """A router refused the probe and named the size that fits it; sizes above that are not tried.

        RFC 8899 4.6.1: a report that is not smaller than what was sent is not believed; 0 is an old router
        that names none (RFC 1191 section 5).
        """
        size = self.sizes[self._at]
        if mtu >= size:
            return
        if mtu > 0:
            self._told = mtu if self._told is None else min(self._told, mtu)
        self._refused.append(size)
        self._next()
        while self._at < len(self.sizes) and mtu > 0 and self.sizes[self._at] > mtu:
            self._refused.append(self.sizes[self._at])
            self._next()

    def _next(self) -> None:
        self._at += 1
        self._losses = 0

    def result(self) -> PathMtu:
        """What is known so far, or in the end."""
        size = self.sizes[self._at] if self._passed else None
        outcomes = dict.fromkeys(self.sizes, SizeOutcome.UNKNOWN)
        outcomes |= dict.fromkeys(self._refused, SizeOutcome.TOO_BIG)
        if size is not None:
            outcomes |= dict.fromkeys(self._lost, SizeOutcome.SWALLOWED)
            outcomes |= {s: SizeOutcome.PASSED for s in self.sizes if s <= size}
        return PathMtu(size=size, told=self._told, outcomes=outcomes)


def echo_payload_octets(packet_octets: int, version: int) -> int:
    """Octets after the ICMP header that make an echo request that long: less 20 + 8, or 40 + 8 in IPv6."""
    return packet_octets - (20 if version == 4 else 40) - 8
