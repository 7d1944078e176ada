"""Counts records into seconds."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.windows.filling import quantiles_by_tick
from whichhop.compare.windows.seconds import PATIENCE_NS, Seconds, empty_seconds
from whichhop.model import Fate, Record, SessionKey
from whichhop.model.units import NS_PER_S, minute_of


@dataclass(frozen=True, slots=True)
class RecordSeconds:
    """A `SecondsSource` over records in memory, by session."""

    by_key: Mapping[SessionKey, Sequence[Record]]

    def __call__(self, start_ns: int, end_ns: int) -> Seconds:
        """The seconds of a span."""
        first, end = minute_of(start_ns), minute_of(end_ns - 1)
        some = (r for held in self.by_key.values() for r in held if first <= r.minute <= end)
        return seconds_of(some, list(self.by_key), start_ns, end_ns)


def seconds_of(records: Iterable[Record], keys: Sequence[SessionKey], start_ns: int, end_ns: int) -> Seconds:
    """Count records into the whole seconds of a span; those of other sessions are passed over."""
    out = empty_seconds(keys, start_ns, max(0, (end_ns - start_ns) // NS_PER_S))
    place = {key: i for i, key in enumerate(keys)}
    held: dict[int, list[Record]] = {}
    for record in records:
        if record.session in place:
            held.setdefault(place[record.session], []).append(record)
    for j, group in held.items():
        columns = [[np.asarray(getattr(r.samples, n)) for r in group] for n in ("sent_ns", "fate", "rtt_ns")]
        count_in(out, j, *(np.concatenate(c) for c in columns))
    return out


def count_in(
    out: Seconds, place: int, sent_ns: NDArray[Any], fate: NDArray[Any], rtt_ns: NDArray[Any]
) -> None:
    """Count one session's samples into its column; each second is to be counted once."""
    second = (sent_ns - out.start_ns) // NS_PER_S
    inside = (second >= 0) & (second < out.count) & (fate < Fate.NOT_SENT)
    second, fate, rtt_ns = second[inside].astype(np.int64), fate[inside], rtt_ns[inside]
    if not second.size:
        return
    answered = (fate == Fate.ANSWERED) & (rtt_ns <= PATIENCE_NS)
    first = int(second.min())
    second -= first
    length = int(second.max()) + 1
    span = slice(first, first + length)
    for name, which in (("sent", np.ones_like(answered)), ("silent", ~answered)):
        counted = np.bincount(second[which], minlength=length)
        getattr(out, name)[span, place] += np.minimum(counted, 255).astype(np.uint8)
    middle = quantiles_by_tick(second[answered], rtt_ns[answered].astype(np.int64), length)[0]
    known = np.isfinite(middle)
    out.rtt_s[span, place][known] = middle[known] * 1e-9
