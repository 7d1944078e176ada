"""The verdicts of a day as they come tick by tick, and what changed from one tick to the next."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from whichhop.model import Verdict

DAY_NS = 24 * 3600 * 1_000_000_000
MOVED = 0.1
"""A probability that moved by less is not worth a line."""


class DayBook:
    """Keeps verdicts that a follower no longer looks at, for a day after their end."""

    def __init__(self) -> None:
        self._held: list[Verdict] = []

    def take(self, verdicts: Iterable[Verdict], judged_ns: int, now_ns: int) -> list[Verdict]:
        """The day's verdicts in order of time, once these are all of them since `judged_ns`.

        One that began before what was looked at anew keeps its begin.
        """
        fresh = [self._whole(v, judged_ns) for v in verdicts]
        settled = [v for v in self._held if v.end_ns is not None and v.end_ns <= judged_ns]
        kept = [v for v in settled if v.end_ns is not None and v.end_ns > now_ns - DAY_NS]
        self._held = sorted([*kept, *fresh], key=lambda v: (v.start_ns, v.elements))
        return list(self._held)

    def _whole(self, verdict: Verdict, judged_ns: int) -> Verdict:
        if verdict.start_ns > judged_ns:
            return verdict
        for old in self._held:
            reaches = old.end_ns is None or old.end_ns > judged_ns
            if reaches and old.start_ns < verdict.start_ns and old.elements == verdict.elements:
                return replace(verdict, start_ns=old.start_ns)
        return verdict


class ChangeKind(StrEnum):
    """What became of a verdict since the last tick."""

    OPENED = "opened"
    CHANGED = "changed"
    ENDED = "ended"
    RETURNED = "returned"
    """It was told to be over and is here again, or one with what goes on."""
    WITHDRAWN = "withdrawn"
    """Later ticks spoke against it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictChange:
    """One verdict's news; `verdict` as it is now, or as it last was when withdrawn."""

    kind: ChangeKind
    verdict: Verdict
    before: Verdict | None = None


def _overlap(one: Verdict, other: Verdict) -> bool:
    return (one.end_ns is None or one.end_ns > other.start_ns) and (
        other.end_ns is None or other.end_ns > one.start_ns
    )


def _same(one: Verdict, other: Verdict) -> bool:
    return bool(set(one.elements) & set(other.elements)) and _overlap(one, other)


def _within(part: Verdict, whole: Verdict) -> bool:
    """Whether a verdict is a part of another by now."""
    ends = whole.end_ns is None or (part.end_ns is not None and part.end_ns <= whole.end_ns)
    return ends and whole.start_ns <= part.start_ns


def changes(before: Sequence[Verdict], after: Sequence[Verdict]) -> list[VerdictChange]:
    """The news between two looks, in order of time.

    Verdicts are the same trouble when they share an element and overlap in time. A verdict that was already
    over when it was first seen is not news of the present: it opened and ended between two looks, and is
    told as opened.
    """
    out: list[VerdictChange] = []
    left = list(before)
    for verdict in after:
        old = min(
            (v for v in left if _same(v, verdict)),
            key=lambda v: (
                v.elements != verdict.elements,
                (v.end_ns is None) != (verdict.end_ns is None),
                abs(v.start_ns - verdict.start_ns),
            ),
            default=None,
        )
        if old is None:
            out.append(VerdictChange(kind=ChangeKind.OPENED, verdict=verdict))
            continue
        left.remove(old)
        if _takes_back_an_end(old, verdict, left):
            out.append(VerdictChange(kind=ChangeKind.RETURNED, verdict=verdict, before=old))
        elif _different(old, verdict):
            out.append(VerdictChange(kind=ChangeKind.CHANGED, verdict=verdict, before=old))
        if old.end_ns is None and verdict.end_ns is not None:
            out.append(VerdictChange(kind=ChangeKind.ENDED, verdict=verdict, before=old))
        if old.end_ns is not None and verdict.end_ns is None:
            out.append(VerdictChange(kind=ChangeKind.RETURNED, verdict=verdict, before=old))
    # What is older than all that was looked at anew has been forgotten, not withdrawn.
    oldest = min((v.start_ns for v in after), default=None)
    for gone in left:
        forgotten = gone.end_ns is not None and (oldest is None or gone.end_ns <= oldest)
        joined = any(set(v.elements) == set(gone.elements) and _within(gone, v) for v in after)
        if not (forgotten or joined):
            out.append(VerdictChange(kind=ChangeKind.WITHDRAWN, verdict=gone, before=gone))
    return out


def _takes_back_an_end(old: Verdict, new: Verdict, others: Sequence[Verdict]) -> bool:
    """Whether one that goes on has become one with an earlier one that was told to be over."""
    return (
        old.end_ns is None
        and new.end_ns is None
        and any(
            v.end_ns is not None and set(v.elements) == set(new.elements) and _within(v, new) for v in others
        )
    )


def _different(old: Verdict, new: Verdict) -> bool:
    if (old.cause, set(old.elements), old.proven) != (new.cause, set(new.elements), new.proven):
        return True
    return old.end_ns is None and abs(old.probability - new.probability) >= MOVED
