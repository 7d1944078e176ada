"""A session's published delay figures: round trip, variation of each way, one way where clocks allow it."""

from collections.abc import Iterator, Sequence

import numpy as np
from msgspec.structs import replace

from whichhop.model.record import Record
from whichhop.model.units import NS_PER_S
from whichhop.stats.call import jitter_after_each
from whichhop.stats.clocks import ClockSegment, FreedWays, above_fastest
from whichhop.stats.delay import DelayArrays, OneWay, ipdv, one_way
from whichhop.stats.interval import quantile_interval
from whichhop.stats.measure import ECHOED, ORDER, ROUND_TRIP, WAY_BACK, WAY_OUT, Measure, Row, known, taken_by
from whichhop.stats.quantile import Floats, median, quantiles

NO_FAR_STAMP = "this method has no stamp of the far end, so the ways are not told apart"
NO_ANSWER = "no packet was answered"
NOT_SENT = "no packet was sent"
WAYS = (("out", WAY_OUT), ("back", WAY_BACK))


def _quantile(row: Row, values_ns: Floats, share: float, error_ns: int = 0) -> Measure:
    """A quantile of delays by RFC 2330's definition with its interval, ns in, seconds out.

    error_ns: what the clocks may be wrong by, added to the interval on both sides.
    """
    count = len(values_ns)
    if not count:
        return row.figure("s", None, count=0, otherwise=NOT_SENT)
    value = median(values_ns) if share == 0.5 else quantiles(values_ns, [share]).values[0]
    if not np.isfinite(value):
        over = f"undefined, for more than {100 * (1 - share):.3g} % of the packets had no answer in time"
        return row.figure("s", None, count=count, otherwise=over)
    between = quantile_interval(values_ns, share)
    ends = (known((between.low - error_ns) / NS_PER_S), known((between.high + error_ns) / NS_PER_S))
    interval = f"{ORDER}, and the clocks" if error_ns else ORDER
    return row.figure("s", float(value) / NS_PER_S, count=count, ends=ends, interval=interval)


def _round_trip_stamps(records: Sequence[Record], arrays: DelayArrays) -> str:
    return taken_by(records, ROUND_TRIP if arrays.has_ways else ECHOED)


def round_trips(records: Sequence[Record], arrays: DelayArrays) -> Iterator[Measure]:
    """The round trip, less the far end's holding time where it is known (RFC 8762 4)."""
    trips = arrays.round_trip_ns
    answered = trips[np.isfinite(trips)]
    least = Row(
        group="round trip",
        name="round-trip-least",
        words="least",
        definition="RFC 2681 4.3",
        how=f"{_round_trip_stamps(records, arrays)}; a packet without an answer counts as infinite",
    )
    value = float(answered.min()) / NS_PER_S if len(answered) else None
    yield least.figure("s", value, count=len(trips), otherwise=NO_ANSWER if len(trips) else NOT_SENT)
    for share in (0.5, 0.95, 0.99):
        row = replace(
            least,
            name=f"round-trip-{100 * share:g}",
            words="median" if share == 0.5 else f"{100 * share:g} % at most",
            definition="RFC 2681 4.2" if share == 0.5 else "RFC 2681 4.1",
        )
        yield _quantile(row, trips, share)


def own_queue(records: Sequence[Record], queue_ns: Floats) -> Measure:
    """What packets waited in the sending machine's own queue; queue_ns: of those where the kernel told."""
    row = Row(
        group="own queue",
        name="own-queue-most",
        words="most waited in the agent's own machine",
        definition="driver's less scheduler's send stamp (Linux SO_TIMESTAMPING)",
        how=f"{taken_by(records, ('T1',))}; part of the round trip",
    )
    most = float(queue_ns.max()) / NS_PER_S if len(queue_ns) else None
    return row.figure("s", most, count=len(queue_ns), otherwise="the kernel told of no queue")


def _jitter_s(sent_ns: Floats, transit_ns: Floats) -> float | None:
    """RFC 3550's J, over packets in the order they arrived; None under two."""
    there = np.isfinite(transit_ns)
    transit = transit_ns[there]
    by_arrival = np.argsort(sent_ns[there] + transit, kind="stable")
    after = jitter_after_each((transit[by_arrival] / NS_PER_S).tolist())
    return after[-1] if after else None


def _variation_of(
    way: str, delays_ns: Floats, sent_ns: Floats, segments: Sequence[ClockSegment], how: str
) -> Iterator[Measure]:
    name = way.replace(" ", "-")
    above = above_fastest(delays_ns, segments)
    row = Row(group=f"variation, {way}", name="", words="", definition="PDV, RFC 5481 4.2", how=how)
    for share in (0.5, 0.95, 0.99):
        words = f"{100 * share:g} % at most above the fastest"
        yield _quantile(replace(row, name=f"pdv-{name}-{100 * share:g}", words=words), above, share)
    # No pair across a clock step: its difference would be the step.
    steps = np.concatenate([np.empty(0), *(ipdv(delays_ns[s.start : s.end]) for s in segments)])
    steps = np.abs(steps[np.isfinite(steps)])
    neighbours = replace(
        row,
        name=f"ipdv-{name}-mean",
        words="mean difference of neighbours, without sign",
        definition="IPDV, RFC 3393, RFC 5481 4.1",
    )
    mean = float(steps.mean()) / NS_PER_S if len(steps) else None
    yield neighbours.figure("s", mean, count=len(steps), otherwise="no two neighbours were both answered")
    arriving = replace(
        row,
        name=f"jitter-{name}",
        words="interarrival jitter after the last packet",
        definition="RFC 3550 6.4.1",
    )
    yield arriving.figure(
        "s",
        _jitter_s(sent_ns, above),
        count=int(np.isfinite(above).sum()),
        otherwise="fewer than two packets were answered",
    )


def variations(records: Sequence[Record], arrays: DelayArrays, freed: FreedWays) -> Iterator[Measure]:
    """Delay variation of the round trip and, where the far end stamps, of each way; clocks need not agree."""
    sent = len(arrays.sent_ns)
    whole = (ClockSegment(start=0, end=sent, drift=None),) if sent else ()
    stamps = _round_trip_stamps(records, arrays)
    yield from _variation_of("round trip", arrays.round_trip_ns, arrays.sent_ns, whole, stamps)
    for (way, wanted), delays in zip(WAYS, (freed.out_ns, freed.back_ns), strict=True):
        if not arrays.has_ways:
            row = Row(
                group=f"variation, {way}",
                name=f"pdv-{way}-95",
                words="95 % at most above the fastest",
                definition="PDV, RFC 5481 4.2",
                how="not worked out",
            )
            yield row.figure("s", None, count=sent, otherwise=NO_FAR_STAMP if sent else NOT_SENT)
            continue
        how = taken_by(records, wanted)
        how += "; clocks' drift taken out" if freed.drift else "; clocks' drift not told, so left in"
        if freed.steps:
            how += f"; cut at clock steps: {len(freed.steps)}"
        yield from _variation_of(way, delays, arrays.sent_ns, freed.segments, how)


def _clock_error(records: Sequence[Record]) -> tuple[int | None, str]:
    """Both clocks' error added up, ns, or None and why it is not known.

    A record keeps the larger of both stated errors, so twice that bounds their sum.
    """
    heard = [r for r in records if len(r.samples)]
    unknown = sum(r.clock_error_ns is None for r in heard)
    if unknown or not heard:
        return None, f"a clock's error against UTC was not known in {unknown} of {len(heard)} min"
    return 2 * max(r.clock_error_ns or 0 for r in heard), ""


def _trusted_ways(
    records: Sequence[Record], arrays: DelayArrays, freed: FreedWays
) -> tuple[OneWay | None, str]:
    """One-way delays, or None and why they are withheld."""
    if not arrays.has_ways:
        return None, NO_FAR_STAMP if len(arrays.sent_ns) else NOT_SENT
    error_ns, why = _clock_error(records)
    if freed.steps and not why:
        why = f"a clock stepped meanwhile, {len(freed.steps)} times"
    ways = None if why else one_way(arrays, offset_ns=0.0, clock_error_ns=error_ns)
    if ways is None:
        return None, why
    least = min(float(ways.out_ns.min()), float(ways.back_ns.min()))
    if least < -ways.error_ns:
        return None, f"a clock is further off than it states, for a packet took {least / 1e6:.3f} ms one way"
    return ways, ""


def one_ways(records: Sequence[Record], arrays: DelayArrays, freed: FreedWays) -> Iterator[Measure]:
    """One-way delay (RFC 7679), only where both clocks' errors are known and nothing contradicts them."""
    ways, why = _trusted_ways(records, arrays, freed)
    for way, wanted in WAYS:
        row = Row(
            group="one way",
            name=f"one-way-{way}-50",
            words=f"median, {way}",
            definition="RFC 7679 5.2",
            how="not worked out",
        )
        if ways is None:
            yield row.figure("s", None, count=len(arrays.sent_ns), otherwise=why)
            continue
        error = f"the clocks' errors in all at most {ways.error_ns / 1e6:.3f} ms"
        told = replace(row, how=f"{taken_by(records, wanted)}; {error}")
        yield _quantile(told, ways.out_ns if way == "out" else ways.back_ns, 0.5, ways.error_ns)
