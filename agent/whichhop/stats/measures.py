"""Every published measure of one session over a span, from its stored records. Pure."""

from collections.abc import Iterator, Sequence
from statistics import median

import numpy as np
from msgspec.structs import replace

from whichhop.model.record import ABSENT, Columns, Record
from whichhop.model.sample import Fate
from whichhop.model.session import Method
from whichhop.stats import measures_of_delay, measures_of_loss, measures_of_path
from whichhop.stats.call import judge_call
from whichhop.stats.clocks import FreedWays, free_ways
from whichhop.stats.delay import delay_arrays
from whichhop.stats.loss import count
from whichhop.stats.measure import Measure, Row

STRETCH_PAUSE_NS = 1_000_000_000
"""A call stream's stretches are minutes apart, its packets 20 ms."""


def joined(records: Sequence[Record]) -> Columns:
    """All samples of some records in the order sent."""
    return Columns.of(sorted((s for r in records for s in r.samples), key=lambda s: s.sent_ns))


def _clocks(freed: FreedWays, told_s: Sequence[float]) -> Iterator[Measure]:
    drift, heard = freed.drift, int(np.isfinite(freed.out_ns).sum())
    row = Row(
        group="clocks",
        name="skew",
        words="far clock gains on ours",
        definition="lower hull (Moon, Skelly, Towsley 1999)",
        how="line under the fastest packets of both ways, between steps",
    )
    yield row.figure(
        "ppm",
        drift.rate * 1e6 if drift else None,
        count=heard,
        ends=(drift.low * 1e6, drift.high * 1e6) if drift else (None, None),
        interval="each way's own" if drift else "",
        otherwise="needs far stamps, a minute between two steps, and fastest packets alike on both ways",
    )
    jumps = "; ".join(f"{s.jump_ns / 1e6:+.1f} ms" for s in freed.steps)
    steps = Row(
        group="clocks",
        name="steps",
        words="steps of one clock against the other",
        definition="(out - back) / 2 jumps by 2 ms or more, their sum not (this project's rule)",
        how=f"{jumps}; taken out of every delay" if jumps else "none found",
    )
    there = "no stamp of the far end" if not heard else ""
    yield steps.figure("count", float(len(freed.steps)) if heard else None, count=heard, otherwise=there)
    seen = [step for step in told_s if step]
    own = replace(
        steps,
        name="own-steps",
        words="steps the agents saw of their own clocks",
        definition="wall against monotonic clock, once a second (this project's rule)",
        how="; ".join(f"{step * 1e3:+.1f} ms" for step in seen) or "none told",
    )
    yield own.figure("count", float(len(seen)), count=len(told_s))


def stretches(columns: Columns) -> list[Columns]:
    """A call stream's samples cut where it pauses."""
    out: list[Columns] = []
    last = None
    for sample in columns:
        if last is None or sample.sent_ns - last > STRETCH_PAUSE_NS:
            out.append(Columns())
        out[-1].append(sample)
        last = sample.sent_ns
    return out


def _calls(method: Method, columns: Columns) -> Iterator[Measure]:
    calls = [judge_call(part) for part in stretches(columns)] if method is Method.CALL else []
    rated = [c.rating for c in calls if c.rating is not None]
    why = "no call was answered"
    if method is not Method.CALL:
        why = "needs 50 packets a second: see this target's call session"
    row = Row(
        group="call",
        name="call-rating",
        words="rating R of a call, median",
        definition="ITU-T G.107 (06/2015)",
        how="half the least round trip each way, 60 ms buffer, G.711 with loss concealment",
    )
    score = replace(row, name="call-opinion", words="opinion score (MOS), median")
    for which, values in ((row, [r.r for r in rated]), (score, [r.mos for r in rated])):
        yield which.figure(
            "score",
            median(values) if values else None,
            count=len(values),
            ends=(min(values, default=None), max(values, default=None)),
            interval="worst and best call" if values else "",
            otherwise=why,
        )


def measures(
    records: Sequence[Record], *, clock_steps_s: Sequence[float] = (), waiting_s: float = 3.0
) -> tuple[Measure, ...]:
    """All measures of one session's records, in the order of reading; none of an empty list.

    clock_steps_s: what both ends' agents told of their own clocks in that time, seconds. waiting_s: after how
    long a packet was given up. Round trips in ns go in; seconds, ratios and counts come out.
    """
    if not records:
        return ()
    columns = joined(records)
    arrays = delay_arrays(columns)
    freed = free_ways(arrays)
    lost = count(columns.fate)
    asked = [Fate(f) for f in columns.fate if not Fate(f).set_aside]
    queue = np.asarray(columns.queue_ns)
    two_ways = arrays.has_ways or bool(lost.lost_out or lost.lost_back)
    return (
        *measures_of_delay.round_trips(records, arrays),
        measures_of_delay.own_queue(records, queue[queue != ABSENT].astype(np.float64)),
        *measures_of_delay.variations(records, arrays, freed),
        *measures_of_delay.one_ways(records, arrays, freed),
        *_clocks(freed, clock_steps_s),
        *measures_of_loss.losses(lost, two_ways=two_ways, waiting_s=waiting_s),
        *measures_of_loss.bursts(arrays.sent_ns, [f.lost for f in asked]),
        *measures_of_loss.order(records, lost),
        *measures_of_loss.set_aside(list(columns.fate)),
        *measures_of_path.of_path(arrays),
        *_calls(records[0].session.method, columns),
    )
