"""Round trips a minute under load from what a transfer saw of fresh connections and of its own. Pure.

As the IETF draft on responsiveness forms them, but for what our transfers cannot do. The loaded connection
carries one stream without questions in between, so its probe is TCP's own smoothed round trip (of the side
that receives where we only receive), not an HTTP question multiplexed on it: what waits in the sending
program's buffer is not in it. Between agents there is no TLS; the mean is then over two kinds, as the draft
has it. Connections are not added until the rate stops to rise: there are as many as were asked for.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from whichhop.model.transfer import RoundTrips
from whichhop.stats.responsiveness import is_stable, per_interval, responsiveness, trimmed_mean

LEAST_PROBES = 3
"""Fewer answered in full say nothing."""


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
