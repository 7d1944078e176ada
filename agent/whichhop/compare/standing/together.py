"""What stood and what changed as one list: neither tells again what the other tells."""

from collections.abc import Sequence

from whichhop.compare.verdict.steps import LEAST_LEVEL_S
from whichhop.model import Cause, Severity, Verdict

ABSORBED = 2.0
"""A change for the worse by more than this many times the standing fault is an episode of its own."""


LEAST_LOSS = 0.02
"""So much more loss may be chance."""


def together(standing: Sequence[Verdict], changed: Sequence[Verdict], now_ns: int) -> list[Verdict]:
    """All verdicts in order of time; changes that are only a standing fault's own ups and downs left out, and
    own traffic from the beginning on that a change tells already."""
    standing = [v for v in standing if not (v.cause is Cause.OWN_TRAFFIC and _told_in(v, changed, now_ns))]
    own = [v for v in changed if not any(_part_of(v, one, now_ns) for one in standing)]
    return sorted([*standing, *own], key=lambda v: (v.start_ns, v.elements))


def _told_in(standing: Verdict, changed: Sequence[Verdict], now_ns: int) -> bool:
    """Whether changes tell most of it: one that saw its first minutes alone is a part of it."""
    end_ns = standing.end_ns or standing.start_ns
    alike = [v for v in changed if v.cause is standing.cause and v.start_ns < end_ns]
    told_ns = sum(min(v.end_ns or now_ns, end_ns) - max(v.start_ns, standing.start_ns) for v in alike)
    return bool(alike) and 2 * told_ns >= end_ns - standing.start_ns


def _part_of(change: Verdict, standing: Verdict, now_ns: int) -> bool:
    """Whether a change is an up and down of a fault that stood: same element, inside its time, no larger."""
    more, base = change.severity, standing.severity
    if more is None or base is None:
        return False
    if not set(change.elements) & set(standing.elements):
        return _seen_anew(change, standing, more, base, now_ns)
    if change.start_ns >= (standing.end_ns or now_ns + 1):
        # What is quicker than before is the fault's end, not another fault.
        return (more.added_p50_s or 0.0) < 0 and (more.loss_ratio or 0.0) <= LEAST_LOSS
    added = max(base.added_p50_s or 0.0, base.added_p95_s or 0.0)
    return (more.added_p50_s or 0.0) <= ABSORBED * added and (more.loss_ratio or 0.0) <= ABSORBED * (
        base.loss_ratio or 0.0
    ) + LEAST_LOSS


def _seen_anew(change: Verdict, standing: Verdict, more: Severity, base: Severity, now_ns: int) -> bool:
    """Whether what a change lays at another element is what stood: some of its sessions, which lose no more
    than they did and wait no longer."""
    mine, all_of_it = set(change.baseline or ()), set(standing.baseline or ())
    waits = max(more.added_p50_s or 0.0, more.added_p95_s or 0.0) > LEAST_LEVEL_S
    loses = (more.loss_ratio or 0.0) > (base.loss_high or 0.0)
    inside = change.start_ns < (standing.end_ns or now_ns + 1)
    return inside and bool(mine) and mine <= all_of_it and not waits and not loses
