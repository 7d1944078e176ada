"""A window table as its home would have written it, and as a server answers for it: for tests without one."""

import json
from collections.abc import Callable, Iterable

import numpy as np

from whichhop.compare.windows.table import WindowTable
from whichhop.daemon.fleet.windows import FleetWindows, short
from whichhop.model import Reading
from whichhop.model.fleet import PREFIX, Series, WindowMetric
from whichhop.store.metrics_server import MetricsServer

NS = 1_000_000_000
_COLUMNS = {
    WindowMetric.ANSWERED: "answered",
    WindowMetric.LOST: "lost",
    WindowMetric.LOST_OUT: "lost_out",
    WindowMetric.LOST_BACK: "lost_back",
    WindowMetric.SLOW: "slow",
    WindowMetric.MEDIAN: "q50_s",
    WindowMetric.P80: "q80_s",
    WindowMetric.EXCESS: "tail_s",
}


def series_of(
    home: str, table: WindowTable, readings: Iterable[Reading], *, kernel: bool | None = None
) -> list[Series]:
    """What the agents of a home write; the daemon's own making of readings is used for those."""
    out = []
    ends_ms = [table.at_ns(tick + 1) // 10**6 for tick in range(table.ticks)]
    agents = dict.fromkeys(key.agent for key in table.sessions)
    for column, key in enumerate(table.sessions):
        labels = {"home": home, "agent": key.agent, "target": key.target, "method": str(key.method)}
        for metric, name in _COLUMNS.items():
            values = getattr(table, name)[:, column].astype(np.float64)
            there = np.isfinite(values) & (values > 0)
            if metric is WindowMetric.ANSWERED:
                there = table.sent[:, column] > 0
            elif not metric.endswith("_packets"):
                there = np.isfinite(values)
            points = tuple(
                (ends_ms[i], short(values[i]) if metric.endswith("_seconds") else values[i])
                for i in np.flatnonzero(there).tolist()
            )
            if points:
                out.append(Series(name=PREFIX + metric, labels=tuple(sorted(labels.items())), points=points))
    for agent in agents:
        mine = [i for i, key in enumerate(table.sessions) if key.agent == agent]
        aside = table.aside[:, mine].sum(axis=1)
        told = FleetWindows(home, agent, "", frozenset())
        told.kept([], sorted((r for r in readings if r.agent == agent), key=lambda r: r.at_ns))
        out += told.close(0)
        labels = {"home": home, "agent": agent}
        if aside.any():
            points = tuple((ends_ms[i], float(aside[i])) for i in np.flatnonzero(aside).tolist())
            name = PREFIX + WindowMetric.NOT_JUDGED
            out.append(Series(name=name, labels=tuple(sorted(labels.items())), points=points))
        if kernel is not None:
            labels["stamps"] = "kernel" if kernel else "program"
            points = tuple((at, 1.0) for at in ends_ms[::6])
            name = PREFIX + WindowMetric.AGENT
            out.append(Series(name=name, labels=tuple(sorted(labels.items())), points=points))
    return out


def answer_of(series: Iterable[Series]) -> bytes:
    """The server's answer to a range selector that takes them all (Prometheus' HTTP API)."""
    rows = [
        {
            "metric": {"__name__": one.name, **dict(one.labels)},
            "values": [[at / 1000, f"{value:.17g}"] for at, value in one.points],
        }
        for one in series
    ]
    return json.dumps({"status": "success", "data": {"resultType": "matrix", "result": rows}}).encode()


def server_of(series: Iterable[Series]) -> MetricsServer:
    """A server that answers everything with them."""
    body = answer_of(series)
    ask: Callable[[str], bytes] = lambda _: body  # noqa: E731
    return MetricsServer(base="http://127.0.0.1:1", ask=ask, select={})
