"""Reads a home's history from a Prometheus-compatible server that scraped its agents: counts, not samples.

The HTTP API and its query language are those of Prometheus (query, query_range). Coarser than records: a
slice of time is as long as the scrape interval, and round trips come in the exporter's histogram buckets.
"""

import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import pairwise
from math import inf
from statistics import median
from typing import Any, TypeVar
from urllib.parse import urlencode

import msgspec
import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.errors import RemoteError
from whichhop.model import Method, Reading, SessionKey
from whichhop.model.units import NS_PER_S
from whichhop.outside import OutsideError, typed

Pair = tuple[float, str]
MOST_ANSWER = 64 << 20
"""Octets; ANSWER_BYTES is what is asked for, this is what a server that counts otherwise may send."""


class _Row(msgspec.Struct):
    """One series of an answer: its labels, and its value now or its values over time."""

    metric: dict[str, str]
    value: Pair | None = None
    values: list[Pair] | None = None


class _Data(msgspec.Struct):
    result: list[_Row]


class _Answer(msgspec.Struct):
    data: _Data


A = TypeVar("A")
Ask = Callable[[str], bytes]
"""Gives the body at an address; RemoteError when there is none."""
Labels = dict[str, str]
Floats = NDArray[np.float64]

LEAST_STEP_S = 10
LONGEST_STEP_S = 300
REACH = 2
"""A value that is older than so many steps is missing: the scrape failed."""
ANSWER_BYTES = 12_000_000
POINT_BYTES = 32
MOST_POINTS = 5_000
"""Servers refuse more than 11,000 points a series (Prometheus' own limit)."""
PREFIX = "whichhop_"
GAUGES = {"loop_lateness_seconds": "loop_lateness_s", "steal_ratio": "steal_ratio"}
TRAFFIC = {"wan_received_bytes_total": "wan_rx_bytes", "wan_transmitted_bytes_total": "wan_tx_bytes"}


class Scraped(Struct, frozen=True, kw_only=True):
    """Counts per slice of time and session, as (slices, sessions) arrays.

    start_ns: the first slice's begin. bounds_s: upper bounds of the buckets, without the infinite one.
    buckets: (slices, sessions, bounds + 1), answered packets, not cumulated. lost counts late answers too.
    Where a scrape is missing, counts are 0.
    """

    sessions: tuple[SessionKey, ...]
    start_ns: int
    step_ns: int
    bounds_s: tuple[float, ...]
    buckets: Floats
    lost: Floats
    lost_out: Floats
    lost_back: Floats
    aside: Floats
    readings: tuple[Reading, ...]


class MetricsServer(Struct, frozen=True, kw_only=True):
    """base: such as "http://127.0.0.1:9090". select: labels that single the home's series out."""

    base: str
    ask: Ask
    select: Mapping[str, str]

    def homes(self, at_ns: int) -> set[str]:
        """The values of the label "home" that agents' series carry around an instant; empty where none do."""
        found = self.instant(f"group by (home) ({self.over('packets_sent_total', 3600)})", at_ns)
        return {labels["home"] for labels, _ in found if labels.get("home")}

    def step_s(self, at_ns: int) -> int:
        """How often agents were scraped lately, seconds; RemoteError when they were not for half an hour."""
        chosen = self._selector("packets_sent_total")
        gaps: list[float] = [
            after - before
            for _, pairs in self._result(_at(f"{chosen}[30m]", at_ns), "values")
            for before, after in pairwise(self.table(pairs)[:, 0].tolist())
        ]
        gaps = [gap for gap in gaps if math.isfinite(gap)]
        if not gaps:
            raise RemoteError(
                f"{self.base} has no {chosen} in the half hour before the end;"
                " check --to and --select, and that it scrapes the agents"
            )
        return round(min(LONGEST_STEP_S, max(LEAST_STEP_S, median(gaps))))

    def read(self, sessions: Sequence[SessionKey], start_ns: int, end_ns: int, step_s: int) -> Scraped:
        """All there is of these sessions in whole slices; RemoteError when an answer cannot be used."""
        step_ns = step_s * NS_PER_S
        start_ns, end_ns = start_ns - start_ns % step_ns, end_ns - end_ns % step_ns
        slices = (end_ns - start_ns) // step_ns
        series = _Series(self, sessions, start_ns, step_ns, slices)
        cumulated, bounds = series.histogram()
        sent = series.counts("packets_sent_total")
        fresh = _resets(sent)
        buckets = np.diff(np.concatenate([np.zeros_like(cumulated[..., :1]), cumulated], axis=-1), axis=-1)
        lost = {
            d: series.counts("packets_lost_total", direction=d) for d in ("from-agent", "to-agent", "unknown")
        }
        late = series.counts("packets_late_total")
        aside = series.counts("packets_not_judged_total")
        grown = {name: _grown(value, fresh) for name, value in lost.items()}
        return Scraped(
            sessions=tuple(sessions),
            start_ns=start_ns,
            step_ns=step_ns,
            bounds_s=bounds,
            buckets=_grown(buckets, fresh),
            lost=sum(grown.values(), _grown(late, fresh)),
            lost_out=grown["from-agent"],
            lost_back=grown["to-agent"],
            aside=_grown(aside, fresh),
            readings=tuple(series.readings()),
        )

    def _selector(self, name: str, **more: str) -> str:
        labels = ",".join(f"{k}={json.dumps(v)}" for k, v in {**self.select, **more}.items())
        return f"{PREFIX}{name}{{{labels}}}" if labels else f"{PREFIX}{name}"

    def instant(self, query: str, at_ns: int) -> list[tuple[Labels, float]]:
        """Each series of a query with its value at an instant; RemoteError where there is no answer."""
        found = self._result(_at(query, at_ns), "value")
        return [(labels, float(self.table([pair])[0, 1])) for labels, pair in found]

    def ranged(self, query: str, first_ns: int, last_ns: int, step_s: int) -> list[tuple[Labels, Any]]:
        """Each series of a query with its [seconds, value] pairs."""
        start, end = (f"{ns / NS_PER_S:.3f}" for ns in (first_ns, last_ns))
        words = urlencode({"query": query, "start": start, "end": end, "step": f"{step_s}"})
        return list(self._result(f"query_range?{words}", "values"))

    def _result(self, question: str, kind: str) -> Iterator[tuple[Labels, Any]]:
        for row in self.answer(question, _Answer).data.result:
            if (found := getattr(row, kind)) is None:
                raise RemoteError(f"{self._place}: no {kind} in it; check --prometheus")
            yield row.metric, found

    def asked_at(self, query: str, at_ns: int, form: type[A]) -> A:
        """The whole answer to a query at an instant, in a form that reads numbers out of texts."""
        return self.answer(_at(query, at_ns), form, strict=False)

    def answer(self, question: str, form: type[A], *, strict: bool = True) -> A:
        """What the query API says to a question, behind its address; RemoteError where it is not of the form.

        strict: a number in a text stays a text; else it is read at once, "+Inf" too.
        """
        body = self.ask(f"{self.base}/api/v1/{question}")
        body = body if strict else body.replace(b'"+Inf"]', b'"Inf"]')
        try:
            return typed(
                body, self._place, form, most=MOST_ANSWER, remedy="check --prometheus", strict=strict
            )
        except OutsideError as wrong:
            raise RemoteError(str(wrong)) from None

    @property
    def _place(self) -> str:
        return f"{self.base}: not an answer of the Prometheus query API"

    def table(self, pairs: Iterable[Pair]) -> Floats:
        """Rows of seconds and value; RemoteError where one of them is no number, NaN where it says so."""
        try:
            # Three times as fast as numpy's own reading of texts.
            return np.array([(float(at), float(value)) for at, value in pairs]).reshape(-1, 2)
        except (ValueError, TypeError, OverflowError):
            raise RemoteError(f"{self.base} answers with what is no number; check --prometheus") from None

    def over(self, name: str, seconds: int, **more: str) -> str:
        """A query for a metric's newest value of the last seconds."""
        return f"last_over_time({self._selector(name, **more)}[{seconds}s])"


def _at(query: str, at_ns: int) -> str:
    return f"query?{urlencode({'query': query, 'time': f'{at_ns / NS_PER_S:.3f}'})}"


class _Series:
    """One span's series laid out on the grid: edge i is where slice i begins."""

    def __init__(
        self,
        server: MetricsServer,
        sessions: Sequence[SessionKey],
        start_ns: int,
        step_ns: int,
        slices: int,
    ) -> None:
        self._server, self._sessions = server, sessions
        self._place = {key: i for i, key in enumerate(sessions)}
        self._start_ns, self._step_ns, self._edges = start_ns, step_ns, slices + 1
        self._step_s = step_ns // NS_PER_S

    def counts(self, name: str, **more: str) -> Floats:
        """(edges, sessions) values of a counter, summed over labels that tell no session; NaN missing."""
        out = np.full((self._edges, len(self._sessions)), np.nan)
        owner: dict[tuple[int, str], str] = {}
        for labels, edge, values in self._pieces(name, len(self._sessions) * 4, **more):
            place = self._session(labels)
            if place is None:
                continue
            self._claim(owner, place, labels)
            out[edge, place] = np.nan_to_num(out[edge, place]) + values
        return out

    def histogram(self) -> tuple[Floats, tuple[float, ...]]:
        """(edges, sessions, bounds + 1) cumulated packets, and the bounds without the infinite one."""
        name = "round_trip_seconds_bucket"
        found: dict[float, Floats] = {}
        owner: dict[tuple[int, str], str] = {}
        for labels, edge, values in self._pieces(name, len(self._sessions) * 24):
            place = self._session(labels)
            if place is None:
                continue
            try:
                bound = float(labels["le"])
            except (KeyError, ValueError):
                raise RemoteError(
                    f"{self._server.base}: {PREFIX}{name} has no number in its label le"
                ) from None
            self._claim(owner, place, labels)
            column = found.setdefault(bound, np.full((self._edges, len(self._sessions)), np.nan))
            column[edge, place] = values
        if inf not in found or len(found) < 2:
            raise RemoteError(
                f"{self._server.base}: no buckets of {PREFIX}{name} for this home's sessions in that span;"
                " check --select, --from and --to"
            )
        bounds = sorted(found)
        stacked = np.stack([found[b] for b in bounds], axis=-1)
        # A version with fewer buckets lacks bounds: nothing is known to lie between its own.
        known = np.isfinite(stacked[..., -1:])
        return np.where(known, np.fmax.accumulate(np.nan_to_num(stacked), axis=-1), np.nan), tuple(
            bounds[:-1]
        )

    def readings(self) -> Iterator[Reading]:
        """The agents' own lateness and the home's own traffic."""
        agents = {key.agent for key in self._sessions}
        for metric, name in {**GAUGES, **TRAFFIC}.items():
            for labels, edge, values in self._pieces(metric, len(agents)):
                if labels.get("agent") in agents:
                    for i, value in zip(edge.tolist(), values.tolist(), strict=True):
                        at_ns = self._start_ns + i * self._step_ns
                        yield Reading(at_ns=at_ns, agent=labels["agent"], name=name, value=value)

    def _pieces(self, name: str, series: int, **more: str) -> Iterator[tuple[Labels, NDArray[Any], Floats]]:
        """Labels, edges and values of each series, a stretch of time after the other."""
        points = int(min(MOST_POINTS, max(60, ANSWER_BYTES / POINT_BYTES / max(1, series))))
        query = self._server.over(name, REACH * self._step_s, **more)
        for first in range(0, self._edges, points):
            last = min(first + points, self._edges) - 1
            begin, end = (self._start_ns + i * self._step_ns for i in (first, last))
            for labels, pairs in self._server.ranged(query, begin, end, self._step_s):
                try:
                    table = np.array(pairs, dtype=np.float64).reshape(-1, 2)
                except (ValueError, TypeError):
                    raise RemoteError(
                        f"{self._server.base}: {PREFIX}{name} holds what is no number"
                    ) from None
                edge = np.rint((table[:, 0] * NS_PER_S - self._start_ns) / self._step_ns).astype(np.int64)
                good = (edge >= 0) & (edge < self._edges) & np.isfinite(table[:, 1])
                yield labels, edge[good], table[good, 1]

    def _session(self, labels: Labels) -> int | None:
        try:
            key = SessionKey(agent=labels["agent"], target=labels["target"], method=Method(labels["method"]))
        except (KeyError, ValueError):
            return None
        return self._place.get(key)

    def _claim(self, owner: dict[tuple[int, str], str], place: int, labels: Labels) -> None:
        """RemoteError when two sources have the same session: two homes with like names, or two scrapers."""
        told = {"agent", "target", "method", "direction", "reason", "le", "__name__"}
        source = ", ".join(f"{k}={v}" for k, v in sorted(labels.items()) if k not in told)
        part = labels.get("direction", "") + labels.get("reason", "") + labels.get("le", "")
        before = owner.setdefault((place, part), source)
        if before != source:
            raise RemoteError(
                f"{self._server.base} has {self._sessions[place]} twice ({before}; {source});"
                " single one home out with --select LABEL=VALUE"
            )


def _resets(sent: Floats) -> NDArray[np.bool_]:
    """(slices, sessions): the agent began anew within the slice, for its count of packets went back."""
    with np.errstate(invalid="ignore"):
        return np.asarray(np.diff(sent, axis=0) < 0)


def _grown(values: Floats, fresh: NDArray[np.bool_]) -> Floats:
    """What a counter grew by in each slice: since its new begin where it began anew, 0 where not known."""
    again = fresh if values.ndim == 2 else fresh[..., None]
    grown = np.where(again, values[1:], np.diff(values, axis=0))
    return np.where(np.isfinite(grown), np.maximum(grown, 0.0), 0.0)
