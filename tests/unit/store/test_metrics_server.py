"""Answers of the Prometheus query API, made by hand as its documentation shows them."""

import json
from collections.abc import Callable
from typing import Any
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest

from whichhop.errors import RemoteError
from whichhop.model import Method, SessionKey
from whichhop.model.units import NS_PER_S
from whichhop.store.metrics_server import MetricsServer

KEY = SessionKey(agent="desk", target="attic", method=Method.STAMP)
LABELS = {"agent": "desk", "target": "attic", "method": "stamp"}
START_S, STEP_S = 1_767_268_800, 15
Rows = list[tuple[dict[str, str], list[float | None]]]


def server(series: dict[str, Rows], select: dict[str, str] | None = None) -> tuple[MetricsServer, list[str]]:
    """A server that answers range queries with these values, one an edge; None where there is none."""
    asked: list[str] = []

    def ask(url: str) -> bytes:
        query = parse_qs(urlsplit(url).query)
        asked.append(query["query"][0])
        first, last = (int(float(query[name][0])) for name in ("start", "end"))
        result: list[dict[str, Any]] = []
        for name, rows in series.items():
            if f"whichhop_{name}" not in query["query"][0]:
                continue
            for labels, values in rows:
                if "direction" in query["query"][0] and labels["direction"] not in query["query"][0]:
                    continue
                at = range(START_S, START_S + STEP_S * len(values), STEP_S)
                pairs = [[t, f"{v:g}"] for t, v in zip(at, values, strict=True) if v is not None]
                inside = [p for p in pairs if first <= p[0] <= last]
                result.append({"metric": labels, "values": inside})
        return json.dumps({"status": "success", "data": {"resultType": "matrix", "result": result}}).encode()

    return MetricsServer(base="http://127.0.0.1:9090", ask=ask, select=select or {}), asked


def buckets(first: list[float | None], second: list[float | None], **more: str) -> Rows:
    """Two buckets and the infinite one, in which all are."""
    bounds = {"0.001": first, "0.01": second, "+Inf": second}
    return [({**LABELS, **more, "le": bound}, values) for bound, values in bounds.items()]


def read(one: MetricsServer, slices: int) -> Any:
    start = START_S * NS_PER_S
    return one.read([KEY], start, start + slices * STEP_S * NS_PER_S, STEP_S)


def test_counters_become_counts_per_slice() -> None:
    one, asked = server(
        {
            "packets_sent_total": [(LABELS, [0, 15, 30, 45])],
            "packets_lost_total": [({**LABELS, "direction": "from-agent"}, [0, 0, 2, 2])],
            "packets_late_total": [(LABELS, [0, 0, 0, 1])],
            "packets_not_judged_total": [
                ({**LABELS, "reason": "busy"}, [0, 1, 1, 1]),
                ({**LABELS, "reason": "asleep"}, [0, 0, 3, 3]),
            ],
            "round_trip_seconds_bucket": buckets([0, 10, 15, 20], [0, 15, 28, 42]),
        },
        {"home": 'Alder "House"'},
    )
    found = read(one, 3)
    assert found.bounds_s == (0.001, 0.01)
    assert found.buckets[:, 0].tolist() == [[10, 5, 0], [5, 8, 0], [5, 9, 0]]
    assert found.lost[:, 0].tolist() == [0, 2, 1]
    assert found.lost_out[:, 0].tolist() == [0, 2, 0]
    assert found.aside[:, 0].tolist() == [1, 3, 0]
    # Values are escaped as the query language wants them, like JSON strings.
    assert all('home="Alder \\"House\\""' in query for query in asked)


def test_a_restart_counts_what_came_since_and_a_failed_scrape_counts_nothing() -> None:
    one, _ = server(
        {
            "packets_sent_total": [(LABELS, [100, 115, 4, None, 34])],
            "packets_lost_total": [({**LABELS, "direction": "to-agent"}, [9, 9, 1, None, 1])],
            "round_trip_seconds_bucket": buckets([50, 60, 3, None, 30], [91, 106, 3, None, 33]),
        }
    )
    found = read(one, 4)
    assert found.buckets[:, 0].sum(axis=-1).tolist() == [15, 3, 0, 0]
    assert found.lost_back[:, 0].tolist() == [0, 1, 0, 0]
    assert np.isfinite(found.buckets).all()


def test_what_agents_saw_of_their_machines_and_the_homes_traffic_become_readings() -> None:
    one, _ = server(
        {
            "packets_sent_total": [(LABELS, [0, 15])],
            "round_trip_seconds_bucket": buckets([0, 15], [0, 15]),
            "loop_lateness_seconds": [({"agent": "desk"}, [0.001, 0.2]), ({"agent": "stranger"}, [1, 1])],
            "wan_received_bytes_total": [({"agent": "desk"}, [1e6, 2e6])],
        }
    )
    readings = {(r.name, r.at_ns // NS_PER_S - START_S): r.value for r in read(one, 1).readings}
    assert readings == {
        ("loop_lateness_s", 0): 0.001,
        ("loop_lateness_s", 15): 0.2,
        ("wan_rx_bytes", 0): 1e6,
        ("wan_rx_bytes", 15): 2e6,
    }


def test_two_sources_of_one_session_are_refused_by_name() -> None:
    rows: Rows = [({**LABELS, "instance": i}, [0, 15]) for i in ("192.0.2.2:8620", "192.0.2.3:8620")]
    one, _ = server({"packets_sent_total": rows, "round_trip_seconds_bucket": buckets([0, 9], [0, 15])})
    with pytest.raises(RemoteError, match=r"twice .*192.0.2.2:8620.*single one home out with --select"):
        read(one, 1)


def _answers(body: bytes) -> Callable[[str], bytes]:
    return lambda url: body


@pytest.mark.parametrize(
    "body",
    [
        b"<html>",
        b"[]",
        b'{"status": "success"}',
        b'{"data": {"result": [{"metric": {}, "value": [1, "2"]}]}}',
        b'{"data": {"result": [3]}}',
    ],
)
def test_what_is_no_answer_of_that_api_is_one_line(body: bytes) -> None:
    one = MetricsServer(base="http://127.0.0.1:9090", ask=_answers(body), select={})
    with pytest.raises(RemoteError, match="not an answer of the Prometheus query API") as told:
        read(one, 1)
    assert "\n" not in str(told.value)


def test_without_buckets_or_scrapes_the_remedy_is_told() -> None:
    one, _ = server({"packets_sent_total": [(LABELS, [0, 15])]})
    with pytest.raises(RemoteError, match="no buckets of whichhop_round_trip_seconds_bucket"):
        read(one, 1)
    empty = MetricsServer(base="http://127.0.0.1:9090", ask=_answers(b'{"data": {"result": []}}'), select={})
    with pytest.raises(RemoteError, match="check --to and --select"):
        empty.step_s(1)
