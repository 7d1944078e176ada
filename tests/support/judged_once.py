"""Judges a day of a store once for each data: tests of what is kept of days judge the same day again and
again, and ask which days are judged and whether the same comes of it."""

import pickle
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from hashlib import sha256

import pytest
from msgspec.structs import replace

from whichhop.app.stored import by_days
from whichhop.compare.day_judging import DayLook, DaySpan, judge_day
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Home, Reading


@contextmanager
def judged_once() -> Iterator[None]:
    """While it lasts, the same windows are judged once in this process: `judge_day` is a pure function.

    Not for who puts other seconds behind the same windows, or patches how a day is judged.
    """
    known: dict[bytes, DayLook | None] = {}

    def remembered(
        home: Home, windows: WindowTable, readings: Iterable[Reading], span: DaySpan
    ) -> DayLook | None:
        told = tuple(readings)
        key = sha256(pickle.dumps((home, replace(windows, seconds=None), told, span))).digest()
        if key not in known:
            known[key] = judge_day(home, windows, told, span)
        look = known[key]
        # The seconds are read from a store, which each test opens anew.
        return look and replace(look, table=replace(look.table, seconds=windows.seconds))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(by_days, "judge_day", remembered)
        yield
