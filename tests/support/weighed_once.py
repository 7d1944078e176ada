"""Weighs what stood before the first packet once for each data: many tests play the same quiet home, and ask
both who follows it and who looks back."""

import pickle
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from hashlib import sha256

import pytest

from whichhop.compare.standing import named
from whichhop.compare.standing.columns import Groups
from whichhop.compare.standing.faults import Odds, odds_of
from whichhop.compare.standing.seen import SeenAtRest

MOST = 100
"""A large home's odds are a quarter of a megabyte."""


class _Remembered:
    def __init__(self) -> None:
        self._known: OrderedDict[bytes, Odds] = OrderedDict()

    def __call__(self, seen: SeenAtRest, heard: Sequence[int], groups: Groups) -> Odds:
        key = sha256(pickle.dumps((seen, heard, groups))).digest()
        if key not in self._known:
            odds = self._known[key] = odds_of(seen, heard, groups)
            for fit in odds.fits.values():  # whoever would write into them, writes into nobody else's
                for values in (fit.evidence, fit.log_value, fit.log_error):
                    values.flags.writeable = False
            odds.probability.flags.writeable = odds.weights.flags.writeable = False
        self._known.move_to_end(key)
        if len(self._known) > MOST:
            self._known.popitem(last=False)
        return self._known[key]


@contextmanager
def weighed_once() -> Iterator[None]:
    """While it lasts, the same data are weighed once in this process: `odds_of` is a pure function."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(named, "odds_of", _Remembered())
        yield
