"""One published measure of a session: its value, what it is by which standard, and how it was obtained."""

import math
from collections.abc import Iterable, Sequence

from msgspec import Struct

from whichhop.model.record import Record, said_of
from whichhop.stats.proportion import wilson


class Measure(Struct, frozen=True, kw_only=True):
    """A row of a session's figures.

    group, name: stable, for files and tests. words: what it is, for the reader. definition: the standard and
    its section. how: stamps, clocks and rule. unit: "s", "ratio" (0 to 1), "packets", "ppm", "count" or
    "score". low, high: ends of what `interval` names, None without one. count: the packets behind it.
    withheld: why there is no value; "" where there is one.
    """

    group: str
    name: str
    words: str
    definition: str
    how: str
    unit: str
    value: float | None
    low: float | None = None
    high: float | None = None
    interval: str = ""
    count: int = 0
    withheld: str = ""


WILSON = "95 %, of this span's packets as if each for itself (Wilson)"
ORDER = "95 %, of this span's packets as if each for itself (order statistics)"
"""What these speak of: packets of one span. How the path does on other days is `measures_of_path`."""


class Row(Struct, frozen=True, kw_only=True):
    """What a measure is, before its figures are known."""

    group: str
    name: str
    words: str
    definition: str
    how: str

    def figure(
        self,
        unit: str,
        value: float | None,
        *,
        count: int,
        ends: tuple[float | None, float | None] = (None, None),
        interval: str = "",
        otherwise: str = "",
    ) -> Measure:
        """The measure with its figures; without a value it is withheld for the reason `otherwise`."""
        return Measure(
            group=self.group,
            name=self.name,
            words=self.words,
            definition=self.definition,
            how=self.how,
            unit=unit,
            value=value,
            low=ends[0],
            high=ends[1],
            interval=interval,
            count=count,
            withheld=otherwise if value is None else "",
        )

    def ratio(self, hits: int, total: int, otherwise: str = "no packet was sent") -> Measure:
        """A share of packets with Wilson's interval; withheld when there were none."""
        if not total:
            return self.figure("ratio", None, count=0, otherwise=otherwise)
        between = wilson(hits, total)
        ends = (between.low, between.high)
        return self.figure("ratio", hits / total, count=total, ends=ends, interval=WILSON)


def known(value: float) -> float | None:
    """A figure, or None where it is infinite or not a number."""
    return float(value) if math.isfinite(value) else None


ROUND_TRIP, WAY_OUT, WAY_BACK = ("T1", "T2", "T3", "T4"), ("T1", "T2"), ("T3", "T4")
ECHOED = ("T1", "T4")
"""The stamps each delay is worked out from (RFC 8762 4): sent, came there, left there, came back."""


def taken_by(records: Iterable[Record], wanted: Sequence[str]) -> str:
    """Who took the wanted stamps: "kernel T1 T2 T4, program T3", or in how many records the kernel did.

    A program's stamp is as late as the machine was busy; a kernel's is not.
    """
    told = [set(group.split()) for group in said_of([r.stamps for r in records if len(r.samples)])]
    share = {stamp: sum(stamp in kernel for kernel in told) for stamp in wanted}
    parts = []
    for who, times in (("kernel", len(told)), ("program", 0)):
        of = [stamp for stamp, n in share.items() if n == times] if told else []
        if of:
            parts.append(f"{who} {' '.join(of)}")
    parts += [f"{stamp} kernel in {n} of {len(told)} min" for stamp, n in share.items() if 0 < n < len(told)]
    return ", ".join(parts) or "no stamps on record"
