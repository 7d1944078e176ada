"""Turns what both halves of a transfer saw into its result, round trips under load among it. Pure.

As the IETF draft on responsiveness forms them, but for what our transfers cannot do. The loaded connection
carries one stream without questions in between, so its probe is TCP's own smoothed round trip (of the side
that receives where we only receive), not an HTTP question multiplexed on it: what waits in the sending
program's buffer is not in it. Between agents there is no TLS; the mean is then over two kinds, as the draft
has it. Connections are not added until the rate stops to rise: there are as many as were asked for.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from msgspec import Struct

from whichhop.model.transfer import RoundTrips, TransferResult, UnderLoad
from whichhop.stats.responsiveness import is_stable, per_interval, responsiveness, trimmed_mean
from whichhop.stats.throughput import (
    STANDING_QUEUE_S,
    TCP_HEADERS,
    buffer_delay_ratio,
    efficiency_ratio,
    goodput_bps,
    transfer_time_ratio,
    what_limited,
)

LEAST_PROBES = 3
"""Fewer answered in full say nothing."""

NO_QUEUE = "the server, perhaps: no queue built up on the line"
PASSED = 1.05
"""A port that lets so much more through than its speed has another: virtual devices tell any number."""


def _values(steps: Sequence[Sequence[float]]) -> list[float]:
    return [ms for _, ms in steps]


def _series(outcome: Mapping[str, Any]) -> list[float]:
    """Round trips a minute, second by second, as far as each second has every kind."""
    beside, sent = outcome["beside"], outcome["sent"]
    loaded = sent["loaded"]["per_interval_ms"]
    kinds = [
        per_interval([(at, ms) for at, ms in beside[kind]], float(sent["seconds"]))
        for kind in ("tcp", "tls", "http")
        if beside[kind]
    ]
    out = []
    for at, mean in enumerate(loaded):
        found = [k[at] for k in kinds if at < len(k)]
        values = [v for v in found if v is not None]
        if mean and values and len(values) == len(kinds):
            out.append((60_000 / (sum(values) / len(values)) + 60_000 / mean) / 2)
    return out


def round_trips_of(outcome: Mapping[str, Any]) -> RoundTrips | None:
    """The draft's figure; None where no probe answered or the loaded connection told nothing."""
    beside, sent = outcome.get("beside"), outcome["sent"]
    loaded = sent["loaded"]["mean_ms"] if sent.get("loaded") else None
    if not beside or not loaded or len(beside["http"]) < LEAST_PROBES:
        return None
    tcp, tls, http = (_values(beside[kind]) for kind in ("tcp", "tls", "http"))
    found = responsiveness(tcp_ms=tcp, tls_ms=tls, http_ms=http, loaded_http_ms=[loaded])
    tcp_ms, http_ms = trimmed_mean(tcp), trimmed_mean(http)
    if found is None or tcp_ms is None or http_ms is None:
        return None
    return RoundTrips(
        overall_per_minute=found.overall,
        foreign_per_minute=found.foreign,
        loaded_per_minute=found.loaded,
        tcp_ms=tcp_ms,
        tls_ms=trimmed_mean(tls),
        http_ms=http_ms,
        loaded_ms=loaded,
        probes=len(http),
        failed=int(beside["failed"]),
        stable=is_stable(sent["rates"]) and is_stable(_series(outcome)),
    )


class Asked(Struct, frozen=True, kw_only=True):
    """One direction of one transfer as it was asked for.

    port_bps: the asking machine's negotiated port speed; ideal_bps: the plan's rate in TCP payload where the
    line is on the way, for RFC 6349's transfer time ratio; None where they are not known.
    """

    agent: str
    other_end: str
    way: str
    streams: int
    cores: int
    port_bps: float | None = None
    ideal_bps: float | None = None
    url: bool = False
    """True where the other end is a server of somebody else's, whose own limits nobody sees."""


def _queue_grew(load: UnderLoad | None) -> bool:
    """Whether packets beside the transfer waited or were lost: only then was the line itself full."""
    if load is None or load.added_s is None:
        return False
    return load.added_s >= STANDING_QUEUE_S or load.lost * 50 >= load.sent > 0


def port_goodput(speed_bps: float | None) -> float | None:
    """TCP payload that an Ethernet port carries at full rate."""
    return None if speed_bps is None else goodput_bps(speed_bps, header_octets=TCP_HEADERS)


def cost_octets(outcome: Mapping[str, Any]) -> int:
    """What one direction put on the wire: its data, and the fresh connections beside it."""
    return int(outcome["sent"]["wire_octets"]) + int(outcome.get("beside_octets", 0))


def result_of(
    asked: Asked, outcome: Mapping[str, Any], *, start_ns: int, load: UnderLoad | None
) -> TransferResult:
    """The result; `outcome` holds "sent" and "received" as bulk_sender and bulk_receiver give them."""
    sent, received = outcome["sent"], outcome["received"]
    settled = sent["settled"] or {"rate_bps": 0.0, "steady": False, "spread": 0.0}
    rate, seconds = float(settled["rate_bps"]), float(sent["seconds"])
    base, mean = sent["base_rtt_s"], sent["mean_rtt_s"]
    port = port_goodput(asked.port_bps)
    if port is not None and rate > port * PASSED:
        port = None
    limited = what_limited(
        busy=sent["busy"],
        window=sent["window"],
        buffer=sent["buffer"],
        sender_cpu=sent["cpu"],
        receiver_cpu=received["cpu"],
        queue_s=(mean or 0.0) - (base or 0.0),
        threads=asked.streams,
        cores=asked.cores,
        rate_bps=rate,
        port_bps=port,
    )
    if asked.url and not limited and not _queue_grew(load):
        limited = NO_QUEUE
    ideal = asked.ideal_bps or port or rate
    return TransferResult(
        agent=asked.agent,
        other_end=asked.other_end,
        way=asked.way,
        start_ns=start_ns,
        seconds=seconds,
        streams=asked.streams,
        rate_bps=rate,
        steady=bool(settled["steady"]),
        spread=float(settled["spread"]),
        limited=limited,
        octets=int(sent["octets"]),
        wire_octets=cost_octets(outcome),
        ended=str(sent["ended"]),
        received_bps=received["rate_bps"],
        efficiency=efficiency_ratio(sent["first_octets"], sent["resent_octets"]),
        time_ratio=transfer_time_ratio(seconds, sent["octets"] * 8 / ideal)
        if ideal and sent["octets"]
        else None,
        buffer_delay=buffer_delay_ratio(mean, base) if base and mean else None,
        base_rtt_s=base,
        mean_rtt_s=mean,
        load=load,
        round_trips=round_trips_of(outcome),
    )
