"""What homes wrote, read back from a server's answer: every figure in its place, nothing strange."""

import json
from urllib.parse import parse_qs, urlsplit

import numpy as np
import pytest

from support.fleet_answers import answer_of, series_of, server_of
from whichhop.app.fleet.metrics_windows import windows_of
from whichhop.compare.windows.table import COUNTS, empty_table
from whichhop.errors import RemoteError
from whichhop.lab.standard_home import alder_home
from whichhop.model import Reading, derive_sessions
from whichhop.model.fleet import Series
from whichhop.store.fleet_server import HomeWindows, read_in_pieces, read_new, read_windows
from whichhop.store.metrics_server import MetricsServer

NS = 1_000_000_000
START_NS = 1_767_268_800 * NS
TICKS = 90
END_NS = START_NS + TICKS * 10 * NS


def drawn() -> tuple[list[Series], object]:
    dice = np.random.default_rng(5)
    keys = [s.key for s in derive_sessions(alder_home())]
    table = empty_table(keys, START_NS, TICKS)
    table.lost[:] = dice.integers(0, 3, table.lost.shape)
    table.sent[:] = 10
    table.slow[:] = dice.integers(0, 3, table.slow.shape)
    table.q50_s[:] = dice.uniform(0.001, 0.1, table.sent.shape)
    table.q80_s[:] = table.q50_s * 1.2
    table.tail_s[:] = 0.002
    table.sent[40:50, 3] = table.lost[40:50, 3] = table.slow[40:50, 3] = 0
    for array in (table.q50_s, table.q80_s, table.tail_s):
        array[40:50, 3] = np.nan
    readings = [Reading(at_ns=START_NS + 5 * NS, agent="router", name="wan_rx_bytes", value=5e8)]
    return series_of("Alder House", table, readings, kernel=True), table


def test_a_table_comes_back_as_it_was_written() -> None:
    series, table = drawn()
    found = read_windows(server_of(series), ["Alder House"], START_NS, END_NS)["Alder House"]
    back = windows_of(alder_home(), found, START_NS, END_NS)
    assert back.sessions == table.sessions  # type: ignore[attr-defined]
    for name in COUNTS:
        assert np.array_equal(getattr(back, name), getattr(table, name)), name
    for name in ("q50_s", "q80_s", "tail_s"):
        assert np.allclose(getattr(back, name), getattr(table, name), rtol=3e-4, equal_nan=True), name
    assert set(back.stamps.values()) == {frozenset({"T1 T2 T3 T4"})}
    assert [(r.name, r.value) for r in found.readings] == [("wan_rx_bytes", 5e8)]


def test_homes_are_asked_for_by_name_whatever_is_in_it() -> None:
    asked: list[str] = []

    def ask(url: str) -> bytes:
        asked.append(parse_qs(urlsplit(url).query)["query"][0])
        return b'{"data": {"result": []}}'

    server = MetricsServer(base="http://127.0.0.1:1", ask=ask, select={"job": 'a"b'})
    assert read_windows(server, ["O'Hara (2)", 'a|b "c"'], START_NS, END_NS) == {}
    # PromQL: a string in double quotes with backslash escapes, a regular expression of RE2's in it.
    wanted = r"""{job="a\"b",__name__=~"whichhop_window_.+",home=~"O'Hara\\ \\(2\\)|a\\|b\\ \"c\""}[900s]"""
    assert asked == [wanted]


def test_long_spans_come_in_pieces_that_are_joined() -> None:
    series, _ = drawn()
    calls = []

    def ask(url: str) -> bytes:
        calls.append(url)
        end_s = float(parse_qs(urlsplit(url).query)["time"][0])
        first = len(calls) == 1
        cut = (START_NS // NS) + 400
        kept = [
            Series(
                name=s.name,
                labels=s.labels,
                points=tuple(p for p in s.points if (p[0] / 1000 <= cut) == first),
            )
            for s in series
        ]
        assert end_s > 0
        return answer_of([s for s in kept if s.points])

    server = MetricsServer(base="http://127.0.0.1:1", ask=ask, select={})
    end_ns = START_NS + 7 * 3600 * NS
    found = read_in_pieces(server, "Alder House", START_NS, end_ns)
    assert len(calls) == 2
    assert found is not None
    assert windows_of(alder_home(), found, START_NS, END_NS).sent.sum() > 0.98 * 10 * TICKS * 24


def test_a_series_that_comes_again_under_other_labels_adds_its_moments() -> None:
    """As after a change of the scrape: Prometheus keeps both, neither replaces the other."""

    def row(name: str, job: str, *points: tuple[int, str], **more: str) -> dict[str, object]:
        labels = {"home": "Alder House", "agent": "desk", "job": job, **more}
        return {"metric": {"__name__": f"whichhop_window_{name}", **labels}, "values": points}

    at = START_NS // NS
    rows = []
    for name, more in (
        ("not_judged_packets", {}),
        ("answered_packets", {"target": "router", "method": "stamp"}),
    ):
        rows += [row(name, "new", (at + 20, "4"), (at + 30, "5"), **more)]
        rows += [row(name, "old", (at + 10, "3"), (at + 20, "9"), **more)]
    body = json.dumps({"data": {"result": rows}}).encode()
    server = MetricsServer(base="http://127.0.0.1:1", ask=lambda _: body, select={})
    found = read_windows(server, [], START_NS, END_NS)["Alder House"]
    (of_session,) = found.of_sessions.values()
    for table in (found.not_judged["desk"], *of_session.values()):
        assert table.tolist() == [[at + 10, 3], [at + 20, 4], [at + 30, 5]]


@pytest.mark.parametrize(
    "labels",
    [
        {"method": "carrier-pigeon"},
        {"target": "nowhere"},
        {"agent": ""},
        {"home": ""},
        {"__name__": "whichhop_window_of_a_later_version"},
    ],
)
def test_what_is_not_known_is_passed_over(labels: dict[str, str]) -> None:
    told = {"home": "Alder House", "agent": "desk", "target": "router", "method": "stamp"}
    row = {
        "metric": {"__name__": "whichhop_window_answered_packets", **told, **labels},
        "values": [[1e9, "3"]],
    }
    body = json.dumps({"data": {"result": [row]}}).encode()
    server = MetricsServer(base="http://127.0.0.1:1", ask=lambda _: body, select={})
    for found in read_windows(server, [], START_NS, END_NS).values():
        assert not windows_of(alder_home(), found, START_NS, END_NS).sent.any()


@pytest.mark.parametrize("value", ["NaN", "-5", "1e300", "+Inf", "-Inf"])
@pytest.mark.parametrize("at", [1e300, -1e300, START_NS / NS + 10])
def test_strange_values_do_no_harm(value: str, at: float) -> None:
    told = {"home": "Alder House", "agent": "desk", "target": "router", "method": "stamp"}
    rows = [
        {"metric": {"__name__": f"whichhop_window_{name}", **told}, "values": [[at, value]]}
        for name in ("answered_packets", "lost_packets", "slow_packets", "round_trip_median_seconds")
    ]
    body = json.dumps({"data": {"result": rows}}).encode()
    server = MetricsServer(base="http://127.0.0.1:1", ask=lambda _: body, select={})
    for found in read_windows(server, [], START_NS, END_NS).values():
        table = windows_of(alder_home(), found, START_NS, END_NS)
        assert (table.lost <= table.sent).all()


@pytest.mark.parametrize(
    "body", [b"", b"[]", b'{"data": {"result": [{"metric": {}, "values": [[1, "two"]]}]}}']
)
def test_an_answer_that_is_none_is_a_line(body: bytes) -> None:
    server = MetricsServer(base="http://127.0.0.1:1", ask=lambda _: body, select={})
    with pytest.raises(RemoteError, match="--prometheus"):
        read_windows(server, [], START_NS, END_NS)


def test_what_is_read_again_is_only_what_is_new_and_comes_to_the_same() -> None:
    """An agent that was cut off delivers late, in order: its backlog is not missed."""
    series, _ = drawn()
    written_by = {"now": END_NS}
    asked_s: list[int] = []

    def ask(url: str) -> bytes:
        words = parse_qs(urlsplit(url).query)
        end_s, seconds = float(words["time"][0]), int(words["query"][0].rpartition("[")[2][:-2])
        asked_s.append(seconds)
        told = []
        for one in series:
            # The desk was cut off: of its first half hour nothing was there before the last five minutes.
            late = dict(one.labels)["agent"] == "desk" and written_by["now"] < END_NS
            there_s = START_NS / NS + 120 if late else written_by["now"] / NS
            points = [p for p in one.points if end_s - seconds <= p[0] / 1000 <= min(end_s, there_s)]
            if points:
                told.append(Series(name=one.name, labels=one.labels, points=tuple(points)))
        return answer_of(told)

    server = MetricsServer(base="http://127.0.0.1:1", ask=ask, select={})
    agents = {"Alder House": {s.key.agent for s in derive_sessions(alder_home())}}
    kept: dict[str, HomeWindows] = {}
    for end_ns in (END_NS - 300 * NS, END_NS, END_NS):
        written_by["now"] = end_ns
        kept = read_new(server, agents, kept, START_NS, end_ns)
    whole = read_windows(server, ["Alder House"], START_NS, END_NS)["Alder House"]
    one = windows_of(alder_home(), kept["Alder House"], START_NS, END_NS)
    two = windows_of(alder_home(), whole, START_NS, END_NS)
    for name in (*COUNTS, "q50_s", "q80_s", "tail_s"):
        assert np.array_equal(getattr(one, name), getattr(two, name), equal_nan=True), name
    assert kept["Alder House"].readings == whole.readings
    assert (kept["Alder House"].last_s, kept["Alder House"].kernel) == (whole.last_s, whole.kernel)
    # The first time all of the span, then from where the desk stopped, then a minute or two.
    assert asked_s[0] == 600
    assert asked_s[1] >= 780
    assert asked_s[2] <= 120
