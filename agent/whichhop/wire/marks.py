"""Whether a path keeps the DSCP mark of a packet, wipes it or changes it. Pure."""

from enum import StrEnum

EXPEDITED = 46
"""EF, what calls are marked with (RFC 3246)."""


class Marking(StrEnum):
    """What became of a mark on the way out."""

    KEPT = "kept"
    BLEACHED = "bleached"
    """Arrived as 0, default forwarding: some hop wipes marks, so no hop behind it can prefer calls."""
    REMARKED = "remarked"
    """Arrived as another mark."""
    UNKNOWN = "unknown"
    """The far end did not say, or nothing came back."""


def judge_mark(sent: int, seen: int | None) -> Marking:
    """Compares the DSCP sent (1 to 63) with the one that arrived; None when the far end did not tell.

    ValueError for a mark of 0: one cannot see 0 being wiped.
    """
    if not 0 < sent < 64:
        raise ValueError(f"DSCP {sent} must lie between 1 and 63")
    if seen is None:
        return Marking.UNKNOWN
    if seen == sent:
        return Marking.KEPT
    return Marking.REMARKED if seen else Marking.BLEACHED
