"""Who took a session's time stamps: T1 sent, T2 came there, T3 left there, T4 came back (RFC 8762 4)."""

from collections.abc import Collection, Iterable

from whichhop.model.record import Record
from whichhop.model.sample import Fate
from whichhop.model.session import Method

_FOUR, _TWO = ("T1", "T2", "T3", "T4"), ("T1", "T4")
"""Stamps a round trip needs: with a far end that stamps, and with one that only answers."""


def told_stamps(records: Iterable[Record]) -> frozenset[str]:
    """What records with an answer say of their stamps; one without has timed nothing, and says ""."""
    return frozenset(r.stamps for r in records if Fate.ANSWERED in r.samples.fate)


def kernel_stamps(groups: Collection[str]) -> frozenset[str]:
    """The stamps that the kernel took in at least one record. groups: the records' `stamps`, "T1 T4"."""
    return frozenset(stamp for group in groups for stamp in group.split())


def program_stamps(method: Method | str, groups: Collection[str]) -> frozenset[str]:
    """The stamps that the program took itself in at least one record, late when its machine is busy."""
    taken = [set(group.split()) for group in groups]
    wanted = _FOUR if method == Method.STAMP or any("T2" in group for group in taken) else _TWO
    return frozenset(stamp for group in taken for stamp in wanted if stamp not in group)
