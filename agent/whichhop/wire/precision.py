"""Rounds a record's times to what they are worth, so that noise below the stamps' own error is not stored.

A kernel stamp differs from the wire by 5 to 15 us at its 99th percentile (this project's own target), and
rounding to 5 us adds 1.4 us (step / sqrt 12); a send time is needed only to place a packet in its window of
seconds. Kept to the nanosecond, a minute's send times alone take about 110 bytes of pure pacing noise.
"""

from array import array
from dataclasses import replace

from whichhop.model import ABSENT, Columns, Record

SENT_STEP_NS = 1_000_000
DELAY_STEP_NS = 5_000


def _nearest(values: "array[int]", step: int) -> "array[int]":
    half = step // 2
    return array("q", [v if v == ABSENT else (v + half) // step * step for v in values])


def settle(record: Record, *, sent_step_ns: int = SENT_STEP_NS, delay_step_ns: int = DELAY_STEP_NS) -> Record:
    """The record with send times and delays in whole steps; applying it twice changes nothing more.

    Send times are rounded down, so that none leaves its minute or its order; delays to the nearest step.
    """
    columns = record.samples
    return replace(
        record,
        samples=Columns(
            sent_ns=array("q", [v // sent_step_ns * sent_step_ns for v in columns.sent_ns]),
            fate=columns.fate,
            rtt_ns=_nearest(columns.rtt_ns, delay_step_ns),
            out_ns=_nearest(columns.out_ns, delay_step_ns),
            queue_ns=_nearest(columns.queue_ns, delay_step_ns),
        ),
    )
