"""On which way a packet was lost, told from a stateful reflector's own sequence numbers (RFC 8762 4.3).

Between two answered packets the sender knows how many it sent in between, and from the reflector's two
numbers how many of those arrived there. What did not arrive was lost on the way out, what arrived
unanswered on the way back.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Sequence

from msgspec import Struct

from whichhop.model.sample import Fate

_NEAR_GAPS = 2
"""How many gaps to either side must add up too. A packet overtaken or doubled on the way out shifts the
reflector's numbers by one in one gap and back in another close by; then neither may be believed."""


class _Gap(Struct, frozen=True, kw_only=True):
    """Between two neighbouring answers: packets unanswered, reflector's numbers that no answer carried."""

    sent: int
    arrived: int
    adds_up: bool


class Answered(Struct, frozen=True, kw_only=True):
    """What is known of a session's recent packets.

    pairs: (our number, reflector's number) of each answered packet, by our number.
    doubled: reflector's numbers of further answers to packets already answered, sorted.
    unsent: our numbers that never left, sorted.
    """

    pairs: Sequence[tuple[int, int]]
    doubled: Sequence[int] = ()
    unsent: Sequence[int] = ()

    def _unsent_between(self, low: int, high: int) -> int:
        return bisect_left(self.unsent, high) - bisect_right(self.unsent, low)

    def _gap(self, index: int, numbers: Sequence[int]) -> _Gap:
        (low, far_low), (high, far_high) = self.pairs[index : index + 2]
        sent = high - low - 1 - self._unsent_between(low, high)
        if far_high <= far_low:
            return _Gap(sent=sent, arrived=0, adds_up=False)
        seen = bisect_left(numbers, far_high) - bisect_right(numbers, far_low)
        arrived = far_high - far_low - 1 - seen
        return _Gap(sent=sent, arrived=arrived, adds_up=arrived <= sent)

    def side(self, seq: int) -> Fate:
        """LOST_OUT or LOST_BACK for an unanswered packet; LOST where the numbers do not tell.

        Where a gap holds losses of both ways, how many each way is known and which is which is not; the
        earlier packets are then named out, so that counts over the gap are right.
        """
        at = bisect_left(self.pairs, (seq, -1 << 63)) - 1
        if at < 0 or at + 1 >= len(self.pairs):
            return Fate.LOST
        numbers = sorted([far for _, far in self.pairs] + list(self.doubled))
        around = range(max(0, at - _NEAR_GAPS), min(len(self.pairs) - 1, at + _NEAR_GAPS + 1))
        if not all(self._gap(i, numbers).adds_up for i in around):
            return Fate.LOST
        gap = self._gap(at, numbers)
        low = self.pairs[at][0]
        place = seq - low - 1 - self._unsent_between(low, seq)
        return Fate.LOST_OUT if place < gap.sent - gap.arrived else Fate.LOST_BACK
