"""What each row of tests/data/check_values.json asks of the code: one function a measure, inputs by name."""

import itertools
import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from support.published import IntegerJitter, TwoState, fit, simple_delay_impairment, standard_error
from whichhop.model.sample import Fate
from whichhop.model.units import MonoNs
from whichhop.stats import (
    call,
    call_quality,
    delay,
    loss,
    loss_pattern,
    proportion,
    quantile,
    rate,
    responsiveness,
    throughput,
)
from whichhop.wire.flight import Flight


def delays(values: Sequence[float | None]) -> list[float]:
    """None in a row stands for a packet without an answer."""
    return [math.inf if v is None else float(v) for v in values]


def stream(
    pattern: str = "",
    lost: Sequence[int] = (),
    packets: int = 0,
    lost_numbers: Sequence[int] = (),
) -> list[bool]:
    """A stream as a row writes it: marks (1 and r arrived), 0/1, or a length with packet numbers from 1."""
    if pattern:
        return [mark in "0Xx" for mark in pattern]
    if lost:
        return [bool(gone) for gone in lost]
    return [number in lost_numbers for number in range(1, packets + 1)]


def _quantiles(values: Sequence[float | None], shares: Sequence[float], definition: int) -> Any:
    return quantile.quantiles(delays(values), shares, quantile.Definition(definition)).values


def _delay_summary(values: Sequence[float | None]) -> Any:
    found = quantile.quantiles(delays(values), [0.0])
    return {"minimum": found.values[0], "count": found.count, "undefined": found.undefined}


def _share_at_or_under(values: Sequence[float | None], at: Sequence[float]) -> Any:
    """RFC 2330's distribution: how many of the sample's own steps have a quantile at or under each place."""
    steps = quantile.quantiles(delays(values), [(n + 1) / len(values) for n in range(len(values))]).values
    return [sum(step <= place for step in steps) / len(values) for place in at]


def _loss_within(round_trips_s: Sequence[float], waiting_s: Sequence[float]) -> Any:
    return [loss.count(Fate.LATE if s > w else Fate.ANSWERED for s in round_trips_s).lost for w in waiting_s]


def _ipdv(values: Sequence[float]) -> Any:
    return [None if math.isnan(v) else v for v in delay.ipdv(values)]


def _variation(values: Sequence[float]) -> Any:
    steps, above = delay.ipdv(values)[1:], delay.pdv(values)
    return {
        "ipdv_range": np.ptp(steps),
        "pdv_range": np.ptp(above),
        "ipdv_mean": steps.mean(),
        "ipdv_mean_abs": np.abs(steps).mean(),
    }


def _pdv_quantile(values: Sequence[float], share: float, definitions: Sequence[int]) -> Any:
    above = delay.pdv(values)
    return [quantile.quantiles(above, [share], quantile.Definition(d)).values[0] for d in definitions]


def _integer_jitter(transits: Sequence[int]) -> Any:
    estimator = IntegerJitter()
    pairs = [(estimator.update(t), estimator.state) for t in transits][1:]
    return {"state": [s for _, s in pairs], "reported": [r for r, _ in pairs]}


def _integer_steady(steps: Sequence[int]) -> Any:
    out = []
    for step in steps:
        estimator = IntegerJitter()
        for n in range(2000):
            estimator.update(step * (n % 2))
        out.append(estimator.reported)
    return out


def _jitter_growth(step: int, after: Sequence[int]) -> Any:
    grown = call.jitter_after_each([step * (n % 2) for n in range(max(after) + 1)])
    return [grown[n - 1] for n in after]


def _noticeable_numbers(lost_numbers: Sequence[int], delta: int) -> Any:
    lost = stream(packets=max(lost_numbers), lost_numbers=lost_numbers)
    return [i + 1 for i in loss_pattern.noticeable(lost, delta)]


def _between_periods(lost: Sequence[bool]) -> list[int]:
    """RFC 3357 6.4: from the end of the run before; 0 for the first."""
    runs = list(zip(loss_pattern.period_starts(lost), loss_pattern.period_lengths(lost), strict=True))
    return [0, *(start - (before + length - 1) for (before, length), (start, _) in itertools.pairwise(runs))]


def _noticeable_rate(lost: Sequence[int], delta: int) -> float:
    return len(loss_pattern.noticeable(stream(lost=lost), delta)) / sum(lost)


def _cut(gmin: int, **written: Any) -> loss_pattern.BurstsAndGaps:
    return loss_pattern.bursts_and_gaps(stream(**written), gmin)


def _spans(found: loss_pattern.BurstsAndGaps) -> list[list[int]]:
    return [[b.first + 1, b.last + 1, b.lost] for b in found.bursts]


def _bursts_and_gaps(**row: Any) -> Any:
    found = _cut(**row)
    return {
        "bursts": _spans(found),
        "gaps": found.gaps,
        "isolated": [i + 1 for i in found.isolated],
        "burst_density": found.burst_density,
        "gap_density": found.gap_density,
    }


def _burst_octets(**row: Any) -> Any:
    found = _cut(**row)
    # RFC 3611's fields: a share in 256ths, floored, at most 255
    shares = {"burst": found.burst_density, "gap": found.gap_density}
    return {name: min(255, int(256 * (share or 0))) for name, share in shares.items()}


def _isolated_density(gmin: int) -> Any:
    # Losses gmin good packets apart, for ever: each brings gmin + 1 packets to one long gap.
    return loss_pattern.bursts_and_gaps(
        [n % (gmin + 1) == 0 for n in range((gmin + 1) * 100)], gmin
    ).gap_density


def _burst_durations(interval_ms: float, **row: Any) -> Any:
    found = _cut(**row)
    assert found.mean_burst_packets is not None
    return {
        "burst_ms": found.mean_burst_packets * interval_ms,
        "gap_ms": sum(found.gaps) / len(found.gaps) * interval_ms,
    }


def _fit_two_state(**written: Any) -> Any:
    steps = loss_pattern.transitions(stream(**written))
    chain = fit(steps)
    names = ("n00", "n01", "n10", "n11")
    # runs of a two-state chain are geometric: their means are 1/r and 1/p
    runs = {"mean_burst": 1 / chain.r, "mean_good_run": 1 / chain.p}
    return {n: getattr(steps, n) for n in names} | {n: getattr(chain, n) for n in ("p", "r", "loss")} | runs


def _two_state(p: float, r: float, packets: int) -> Any:
    chain = TwoState(p=p, r=r)
    return {
        "loss": chain.loss,
        "correlation": chain.correlation,
        "mean_burst": 1 / r,
        "standard_error": standard_error(chain, packets),
    }


def _reordering(sequence: Sequence[int]) -> Any:
    flight = Flight()
    for number in range(max(sequence) + 1):
        flight.sent(number, number, MonoNs(number))
    for at, number in enumerate(sequence, max(sequence) + 1):
        flight.answered(number, t4_ns=at, utc_ns=at, mono_ns=MonoNs(at))
    told = flight.facts()
    return {"ratio": told.reordered / told.answered, "duplicates": told.duplicates}


def _bandwidth_delay(rate_mbps: float, rtt_ms: float) -> Any:
    bps, s = rate_mbps * 1e6, rtt_ms / 1e3
    return {
        "bits": throughput.bandwidth_delay_bits(bps, s),
        "window_kb": throughput.least_window_octets(bps, s) / 1e3,
    }


def _max_frame_rate(rate_mbps: float, octets: int, payload: int) -> Any:
    mtu = octets - throughput.frame_octets(0)
    frames = throughput.goodput_bps(rate_mbps * 1e6, header_octets=mtu - payload, mtu=mtu) / (8 * payload)
    return {"exact": frames, "whole": int(frames), "tcp_mbps": int(frames) * payload * 8 / 1e6}


def _goodput(header_octets: int, flow: str) -> Any:
    del flow  # words for the reader
    mtu = 1500
    return {
        "untagged_mbps": throughput.goodput_bps(1e9, header_octets=header_octets, mtu=mtu) / 1e6,
        "tagged_mbps": throughput.goodput_bps(1e9, header_octets=header_octets, mtu=mtu, vlan_tags=1) / 1e6,
    }


def _window_limit(window_kb: float, rtt_ms: float) -> float:
    """The rate in Mbit/s that a window just fills: the least window grows in proportion to the rate."""
    return window_kb * 1e3 / throughput.least_window_octets(1e6, rtt_ms / 1e3)


def _responsiveness(**row: Any) -> Any:
    found = responsiveness.responsiveness(**row)
    assert found is not None
    return found.overall


def _g107_parts(one_way_ms: float) -> Any:
    rating = call_quality.rate_call(one_way_ms=one_way_ms, loss_ratio=0.0)
    return {
        "no": call_quality.noise_sum_dbm0p(),
        "ro": rating.signal_to_noise,
        "is": rating.simultaneous,
        "idd": call_quality.pure_delay_impairment(one_way_ms),
        "id": rating.delay,
        "r": rating.r,
        "mos": rating.mos,
    }


CODECS = {
    "G711": call_quality.Codec(name="G.711", impairment=0.0, robustness=4.3),
    "G711_CONCEALED": call_quality.G711_CONCEALED,
    "G729A": call_quality.Codec(name="G.729A with silence suppression", impairment=11.0, robustness=19.0),
    "G723_1": call_quality.Codec(name="G.723.1 at 6.3 kb/s", impairment=15.0, robustness=16.1),
}
"""ITU-T G.113 appendix I, from memory."""


def _codec(codec: str, loss_percent: Sequence[float]) -> Any:
    named = CODECS[codec]
    calls = [call_quality.rate_call(one_way_ms=0, loss_ratio=p / 100, codec=named) for p in loss_percent]
    return {
        "ie_eff": [c.equipment for c in calls],
        "r": [c.r for c in calls],
        "mos": [c.mos for c in calls],
    }


def _counter_delta(before: int, after: int, bits: int) -> Any:
    return rate.delta(
        rate.CounterReading(at_ns=0, value=before), rate.CounterReading(at_ns=10**9, value=after), bits=bits
    ).amount


def _wrap_seconds(bits: int, rate_mbps: float) -> float:
    """After how long two readings say that whole passes of the counter may be missing."""
    low, high = 1, 10**18
    while high - low > high / 10**8:
        middle = (low + high) // 2
        read = [rate.CounterReading(at_ns=at, value=0) for at in (0, middle)]
        known = rate.delta(*read, bits=bits, most_per_s=rate_mbps * 1e6 / 8).step is rate.Step.COUNTED
        low, high = (middle, high) if known else (low, middle)
    return high / 1e9


def _ends(found: proportion.Interval) -> list[float]:
    return [found.low, found.high]


MEASURES: dict[str, Callable[..., Any]] = {
    "bandwidth_delay": _bandwidth_delay,
    "bandwidth_delay_both": lambda down_mbps, up_mbps, rtt_ms: {
        "down": throughput.bandwidth_delay_bits(down_mbps * 1e6, rtt_ms / 1e3),
        "up": throughput.bandwidth_delay_bits(up_mbps * 1e6, rtt_ms / 1e3),
    },
    "buffer_delay_percent": lambda baseline_ms, mean_ms: (
        100 * throughput.buffer_delay_ratio(mean_ms / 1e3, baseline_ms / 1e3)
    ),
    "burst_durations": _burst_durations,
    "burst_octets": _burst_octets,
    "burst_spans": lambda **row: _spans(_cut(**row)),
    "bursts_and_gaps": _bursts_and_gaps,
    "codec": _codec,
    "connections": lambda rate_mbps, rtt_ms, windows_kb: [
        math.ceil(throughput.least_window_octets(rate_mbps * 1e6, rtt_ms / 1e3) / (w * 1e3))
        for w in windows_kb
    ],
    "counter_delta": _counter_delta,
    "delay_summary": _delay_summary,
    "efficiency_percent": lambda sent, resent: 100 * (throughput.efficiency_ratio(sent, resent) or 0),
    "fit_two_state": _fit_two_state,
    "g107_parts": _g107_parts,
    "goodput": _goodput,
    "integer_jitter": _integer_jitter,
    "integer_reported": lambda transits: _integer_jitter(transits)["reported"],
    "integer_steady": _integer_steady,
    "ipdv": _ipdv,
    "isolated_density": _isolated_density,
    "jitter": call.jitter_after_each,
    "jitter_floor": lambda transits: [int(j) for j in call.jitter_after_each(transits)],
    "jitter_growth": _jitter_growth,
    "loss_distances": lambda lost: loss_pattern.loss_distances(stream(lost=lost)),
    "loss_periods": lambda lost: loss_pattern.loss_periods(stream(lost=lost)),
    "loss_ratio": lambda lost: loss.count(2 if gone else 0 for gone in lost).lost / len(lost),
    "loss_within": _loss_within,
    "max_frame_rate": _max_frame_rate,
    "median": lambda values: quantile.median(delays(values)),
    "noticeable_numbers": _noticeable_numbers,
    "noticeable_rate": _noticeable_rate,
    "opinion_score": call_quality.opinion_score,
    "pdv": lambda values: delay.pdv(values).tolist(),
    "pdv_quantile": _pdv_quantile,
    "period_lengths": lambda lost: {
        "lengths": loss_pattern.period_lengths(stream(lost=lost)),
        "between": _between_periods(stream(lost=lost)),
    },
    "period_starts": lambda pattern: loss_pattern.period_starts(stream(pattern)),
    "quantiles": _quantiles,
    "reordering": _reordering,
    "response_window": lambda rates_mbps: [
        throughput.least_window_octets(r * 1e6, 0.1) / 1500 for r in rates_mbps
    ],
    "responsiveness": _responsiveness,
    "share_at_or_under": _share_at_or_under,
    "simple_delay_impairment": lambda one_way_ms: list(map(simple_delay_impairment, one_way_ms)),
    "transfer_time_ratio": throughput.transfer_time_ratio,
    "trimmed_mean": responsiveness.trimmed_mean,
    "two_state": _two_state,
    "two_state_burst_ratio": lambda p, r: TwoState(p=p, r=r).burst_ratio,
    "variation": _variation,
    "wilson": lambda hits, total: _ends(proportion.wilson(hits, total)),
    "window_limit": lambda window_kb_rtt_ms: [_window_limit(*pair) for pair in window_kb_rtt_ms],
    "wrap_seconds": lambda bits, rates_mbps: [_wrap_seconds(bits, r) for r in rates_mbps],
    "wrap_years": lambda bits, rate_mbps: _wrap_seconds(bits, rate_mbps) / (365.25 * 86400),
}
