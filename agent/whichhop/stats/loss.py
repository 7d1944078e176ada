"""Loss counted by direction from packets' fates: RFC 7680 ratio, RFC 2681 waiting time; plain counts."""

from collections.abc import Iterable

from msgspec import Struct

from whichhop.model.sample import Fate


class LossCount(Struct, frozen=True, kw_only=True):
    """What became of the packets of one session over a span; every packet is in exactly one field.

    late: answered past the waiting time, lost by RFC 7680 and counted within `lost`.
    unknown: lost where the method cannot tell the direction, `late` left out.
    set_aside: our own trouble; such a packet is neither sent nor lost.
    """

    answered: int = 0
    late: int = 0
    lost_out: int = 0
    lost_back: int = 0
    unknown: int = 0
    set_aside: int = 0

    @property
    def lost(self) -> int:
        """Packets lost in all, late ones included."""
        return self.late + self.lost_out + self.lost_back + self.unknown

    @property
    def sent(self) -> int:
        """Packets that asked the path; those set aside are not among them."""
        return self.answered + self.lost


def count(fates: Iterable[int]) -> LossCount:
    """Counts packets' fates (`model.Fate` numbers, such as a record's fate column); empty gives all zero."""
    seen = dict.fromkeys(Fate, 0)
    for fate in fates:
        seen[Fate(fate)] += 1
    return LossCount(
        answered=seen[Fate.ANSWERED],
        late=seen[Fate.LATE],
        lost_out=seen[Fate.LOST_OUT],
        lost_back=seen[Fate.LOST_BACK],
        unknown=seen[Fate.LOST],
        set_aside=sum(number for fate, number in seen.items() if fate.set_aside),
    )
