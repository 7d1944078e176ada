"""A follower looks at the last hours anew each tick: what is over in them looks as it did the tick before."""

from collections.abc import Iterator, Sequence
from hashlib import blake2b

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.scan import Scan
from whichhop.compare.inference.screening import Stretch
from whichhop.compare.inference.segment import Close, OwnUse, look_closely
from whichhop.compare.suspects.elements import Element


class LooksBefore:
    """Close looks of one home, turn by turn: its elements, their columns and the settings stay the same."""

    def __init__(self) -> None:
        self._before: dict[bytes, Close] = {}
        self._now: dict[bytes, Close] = {}

    def begin_turn(self) -> None:
        """What the turn that ends did not ask for is forgotten."""
        self._before, self._now = self._now, {}

    def look(
        self,
        scan: Scan,
        elements: Sequence[Element],
        onset: NDArray[np.float64],
        use: OwnUse,
        stretch: Stretch,
    ) -> Close:
        """The close look at a stretch: that of the turn before where all that it follows from is the same."""
        digest = blake2b()
        for part in _followed_from(scan, onset, use, stretch):
            digest.update(part.tobytes())
        key = digest.digest()
        close = self._before.get(key) or look_closely(scan, elements, onset, use, stretch)
        self._now[key] = close
        return replace(close, stretch=stretch)


def _followed_from(
    scan: Scan, onset: NDArray[np.float64], use: OwnUse, stretch: Stretch
) -> Iterator[NDArray[np.generic]]:
    """What a close look takes: who was heard, what is usual, the evidence, what other readings tell."""
    span = slice(stretch.first, stretch.end)
    yield np.array([stretch.end - stretch.first, use.known, *sorted(use.stay)])
    yield from (onset, use.factor[span], *(use.stay[j][span] for j in sorted(use.stay)))
    yield from (scan.answered, scan.rates[scan.block_of(stretch.first)])
    yield scan.columns_at(stretch.first).delays
    yield from (scan.speaks[span], scan.table.sent[span], scan.table.lost[span])
    evidence = scan.evidence(stretch.first, stretch.end)
    yield from (evidence.delay, evidence.loss, evidence.tail, evidence.late, evidence.alone)
