"""Windows and tallies straight from records in memory, where agents cut and reduce a store piece by piece."""

from collections.abc import Iterable, Sequence

import numpy as np

from whichhop.compare.windows.filling import Cutter
from whichhop.compare.windows.table import TICK_NS, WindowTable
from whichhop.compare.windows.tally import Counted, Tally, reduced, side_by_side
from whichhop.model import Record, SessionKey
from whichhop.model.record import told_stamps
from whichhop.model.units import NS_PER_MINUTE


def table_of(
    records: Sequence[Record],
    *,
    start_ns: int | None = None,
    end_ns: int | None = None,
    step_ns: int = TICK_NS,
) -> WindowTable:
    """The table of some records; its span is that of the records unless given.

    step_ns must divide a minute, so that no record is cut. ValueError otherwise.
    """
    keys = sorted({r.session for r in records})
    minutes = [r.minute for r in records]
    if start_ns is None:
        start_ns = min(minutes, default=0) * NS_PER_MINUTE
    if end_ns is None:
        end_ns = (max(minutes, default=-1) + 1) * NS_PER_MINUTE
    cutter = Cutter(keys, start_ns=start_ns, end_ns=end_ns, step_ns=step_ns)
    cutter.add(records)
    return cutter.table


def count_in(
    keys: Iterable[SessionKey], parts: Iterable[Counted], *, start_ns: int, end_ns: int
) -> tuple[WindowTable, tuple[Tally, ...]]:
    """Counted parts side by side: they are taken one by one, so one is in memory."""
    counted = (reduced(part, start_ns, end_ns) for part in parts)
    return side_by_side(keys, counted, start_ns=start_ns, end_ns=end_ns)


def counted_of(session: SessionKey, records: Iterable[Record]) -> Counted:
    """The samples of some records of one session, sorted by time of sending."""
    held = [r for r in records if r.session == session]
    sent, rtt, out, queue = (
        np.concatenate(
            [np.asarray(getattr(r.samples, name), np.int64) for r in held] or [np.empty(0, np.int64)]
        )
        for name in ("sent_ns", "rtt_ns", "out_ns", "queue_ns")
    )
    fate = np.concatenate([np.asarray(r.samples.fate, np.uint8) for r in held] or [np.empty(0, np.uint8)])
    order = np.argsort(sent, kind="stable")
    errors = [r.clock_error_ns for r in held]
    return Counted(
        session=session,
        sent_ns=sent[order],
        fate=fate[order],
        rtt_ns=rtt[order],
        out_ns=out[order],
        queue_ns=queue[order],
        duplicates=sum(r.duplicates for r in held),
        reordered=sum(r.reordered for r in held),
        stamps=tuple(sorted(told_stamps(held))),
        clock_error_ns=max((e for e in errors if e is not None), default=None),
    )
