"""Reads the windows that homes wrote to a Prometheus-compatible server, as they were written, without a grid.

A range selector as an instant query gives every value with its own time (Prometheus' HTTP API), so that one
question brings all series of one home, or of many at once.
"""

import json
import re
from collections.abc import Collection, Mapping, Sequence
from itertools import chain
from typing import Any, TypeVar

import msgspec
import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.model import Reading, SessionKey
from whichhop.model.fleet import PREFIX, WindowMetric
from whichhop.model.session import Method
from whichhop.model.transfer import BEGINS, SECONDS
from whichhop.model.units import NS_PER_S
from whichhop.store.metrics_server import MetricsServer

PIECE_NS = 6 * 3600 * NS_PER_S
"""Of one home asked for at once: some 30 MB of a home of the standard shape."""
_FAR_S = 2**33
"""Seconds beyond any date; they would overflow nanoseconds."""
SESSION_METRICS = (
    WindowMetric.ANSWERED,
    WindowMetric.LOST,
    WindowMetric.LOST_OUT,
    WindowMetric.LOST_BACK,
    WindowMetric.SLOW,
    WindowMetric.MEDIAN,
    WindowMetric.P80,
    WindowMetric.EXCESS,
)
_READINGS = {
    WindowMetric.LATENESS: "loop_lateness_s",
    WindowMetric.STEAL: "steal_ratio",
    WindowMetric.RECEIVED: "wan_rx_bytes",
    WindowMetric.TRANSMITTED: "wan_tx_bytes",
}
_LEVEL = re.compile(r"levels/[^/]+/[^/]+/(power_dbmv|mer_db|modulation|carrier)")
"""The readings of a modem that are written (cabling/beyond_limits.py)."""
_FIGURES = {WindowMetric.TRANSFER_BEGINS: BEGINS, WindowMetric.TRANSFER_LASTED: SECONDS}
_NAMES = frozenset(WindowMetric)
Floats = NDArray[np.float64]
K = TypeVar("K")


class _Row(msgspec.Struct):
    metric: dict[str, str]
    values: list[tuple[float, float]] = []
    """Prometheus writes values as texts, which are read as numbers at once: half of the time of reading."""

    @property
    def table(self) -> Floats:
        count = 2 * len(self.values)
        return np.fromiter(chain.from_iterable(self.values), dtype=np.float64, count=count).reshape(-1, 2)


class _Data(msgspec.Struct):
    result: list[_Row]


class _Answer(msgspec.Struct):
    data: _Data


class HomeWindows(Struct, kw_only=True):
    """What a server has of one home.

    of_sessions: by session and metric, the windows' ends (Unix s, whole) and values, (n, 2) in the order of
    time. not_judged: the same by agent. kernel: agents of which the kernel times the packets, False where the
    program does. region: "" where none is told. last_s: the newest window's end.
    """

    of_sessions: dict[SessionKey, dict[WindowMetric, Floats]] = field(default_factory=dict)
    not_judged: dict[str, Floats] = field(default_factory=dict)
    readings: list[Reading] = field(default_factory=list)
    kernel: dict[str, bool] = field(default_factory=dict)
    region: str = ""
    last_s: int = 0


def read_windows(
    server: MetricsServer, homes: Sequence[str], start_ns: int, end_ns: int
) -> dict[str, HomeWindows]:
    """All that these homes wrote of a span, by home; homes without any are left out. No homes: every home.

    RemoteError where an answer cannot be used.
    """
    words = {f"{k}=": json.dumps(v, ensure_ascii=False) for k, v in server.select.items()}
    words["__name__=~"] = json.dumps(f"{PREFIX}window_.+")
    if homes:
        words["home=~"] = json.dumps("|".join(re.escape(name) for name in homes), ensure_ascii=False)
    selector = ",".join(f"{k}{v}" for k, v in words.items())
    seconds = max(1, (end_ns - start_ns) // NS_PER_S)
    # Windows are told at their ends: the one that begins the span lies within it, the one before it does not.
    answer = server.asked_at(f"{{{selector}}}[{seconds}s]", end_ns, _Answer)
    out: dict[str, HomeWindows] = {}
    for row in answer.data.result:
        labels = row.metric
        name = labels.get("__name__", "").removeprefix(PREFIX)
        if name in _NAMES and labels.get("home") and labels.get("agent") and row.values:
            home = out.setdefault(labels["home"], HomeWindows())
            _take(home, WindowMetric(name), labels, row.table)
    return out


def read_in_pieces(server: MetricsServer, home: str, start_ns: int, end_ns: int) -> HomeWindows | None:
    """One home's windows of a long span, some hours a question; None where there are none.

    server.select singles the home out; `home` is its name there unless the selection says otherwise.
    """
    name = server.select.get("home", home)
    whole: HomeWindows | None = None
    while start_ns < end_ns:
        last_ns = min(end_ns, start_ns + PIECE_NS)
        part = read_windows(server, [], start_ns, last_ns).get(name)
        if part is not None:
            whole = part if whole is None else _joined(whole, part)
        start_ns = last_ns
    return whole


LAG_S = 60
"""An agent writes every half minute; its readings may come so much after the windows of their time."""


def read_new(
    server: MetricsServer,
    agents: Mapping[str, Collection[str]],
    kept: Mapping[str, HomeWindows],
    start_ns: int,
    end_ns: int,
) -> dict[str, HomeWindows]:
    """As `read_windows` of these homes, but only what came after what was read before is asked for.

    agents: by home, all that may write. kept: what this gave before, by home, for an earlier span. An agent
    writes in order, so that all before its newest window was there already; who was cut off, or has written
    nothing in the span, is asked for from where it stopped, or whole.
    """
    since = {home: _known_ns(kept.get(home), names, start_ns) for home, names in agents.items()}
    out: dict[str, HomeWindows] = {}
    for begin_ns in sorted(set(since.values())):
        homes = [home for home, at_ns in since.items() if at_ns == begin_ns]
        found = read_windows(server, homes, begin_ns, end_ns)
        for home in homes:
            old = _between(kept[home], start_ns, begin_ns) if begin_ns > start_ns else None
            fresh = found.get(home)
            whole = fresh if old is None else old if fresh is None else _joined(old, fresh)
            if whole is not None:
                out[home] = whole
    return out


def _known_ns(kept: HomeWindows | None, agents: Collection[str], start_ns: int) -> int:
    """Up to when everything of a home was read: where the agent that is furthest behind has come to.

    In whole minutes, so that homes that write at the same rate are asked for together.
    """
    newest = dict.fromkeys(agents, 0.0)
    for key, tables in ({} if kept is None else kept.of_sessions).items():
        if key.agent in newest:
            last = max((float(table[-1, 0]) for table in tables.values() if len(table)), default=0.0)
            newest[key.agent] = max(newest[key.agent], last)
    known_s = int(min(newest.values(), default=0.0)) - LAG_S
    return max(start_ns, known_s // 60 * 60 * NS_PER_S)


def _between(one: HomeWindows, start_ns: int, end_ns: int) -> HomeWindows:
    """What lies in a span, its begin included and its end not."""
    first_s, end_s = start_ns / NS_PER_S, end_ns / NS_PER_S

    def cut(table: Floats) -> Floats:
        return table[(table[:, 0] >= first_s) & (table[:, 0] < end_s)]

    of_sessions = {
        key: {metric: cut(table) for metric, table in tables.items()}
        for key, tables in one.of_sessions.items()
    }
    newest = [float(t[-1, 0]) for tables in of_sessions.values() for t in tables.values() if len(t)]
    return replace(
        one,
        of_sessions=of_sessions,
        last_s=round(max(newest, default=0.0)),
        not_judged={agent: cut(table) for agent, table in one.not_judged.items()},
        readings=[r for r in one.readings if start_ns <= r.at_ns < end_ns],
        kernel=dict(one.kernel),
    )


def _joined(one: HomeWindows, two: HomeWindows) -> HomeWindows:
    """Two stretches of one home, the later one second."""
    for key, found in two.of_sessions.items():
        for metric, table in found.items():
            _add(one.of_sessions.setdefault(key, {}), metric, table)
    for agent, table in two.not_judged.items():
        _add(one.not_judged, agent, table)
    one.readings += two.readings
    one.kernel |= two.kernel
    one.region, one.last_s = two.region or one.region, max(one.last_s, two.last_s)
    return one


def _take(home: HomeWindows, metric: WindowMetric, labels: Mapping[str, str], table: Floats) -> None:
    agent = labels["agent"]
    table = table[np.isfinite(table).all(axis=1) & (np.abs(table[:, 0]) < _FAR_S)]
    if not len(table):
        return
    if metric in SESSION_METRICS:
        try:
            method = Method(labels.get("method", ""))
        except ValueError:
            return  # written by a later version
        key = SessionKey(agent=agent, target=labels.get("target", ""), method=method)
        _add(home.of_sessions.setdefault(key, {}), metric, table)
        home.last_s = max(home.last_s, round(float(table[-1, 0])))
    elif metric is WindowMetric.NOT_JUDGED:
        _add(home.not_judged, agent, table)
    elif metric is WindowMetric.AGENT:
        if labels.get("stamps") in ("kernel", "program"):
            home.kernel[agent] = labels["stamps"] == "kernel"
        home.region = labels.get("region", home.region)
    elif name := _reading_name(metric, labels):
        home.readings += [
            Reading(at_ns=round(at * 1000) * 1_000_000, agent=agent, name=name, value=value)
            for at, value in table.tolist()
        ]


def _reading_name(metric: WindowMetric, labels: Mapping[str, str]) -> str:
    """What the reading is called in the home; "" for one that a later version wrote."""
    if metric is WindowMetric.LEVEL:
        name = labels.get("reading", "")
        return name if _LEVEL.fullmatch(name) else ""
    figure = _FIGURES.get(metric)
    if figure is None:
        return _READINGS[metric]
    return f"transfer_{labels.get('way', '')}_{figure}:{labels.get('target', '')}"


def _add(tables: dict[K, Floats], key: K, table: Floats) -> None:
    """A series may come again with other labels, as after a change of the scrape; each moment once."""
    if key in tables:
        both: Any = np.concatenate([tables[key], table])
        _, first = np.unique(both[:, 0], return_index=True)
        table = np.asarray(both[first], dtype=np.float64)
    tables[key] = table
