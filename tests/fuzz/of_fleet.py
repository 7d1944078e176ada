"""Readers of what a fleet's server says (windows, answers to what is written), and our children beside it."""

import json
from collections import Counter
from functools import cache

import msgspec

from fuzz.allowed import must, named, scratch
from fuzz.of_http import _answering
from whichhop.app.fleet.delivery import LONGEST_WAIT_S, WAITS_S, Delivery
from whichhop.app.fleet.metrics_windows import windows_of
from whichhop.app.fleet.write_child import poster, turn
from whichhop.daemon.beside.device_watch import MOST_BPS, DeviceWatch
from whichhop.daemon.fleet.talk import Written
from whichhop.daemon.job_runner import Troubles
from whichhop.lab.standard_home import alder_home
from whichhop.model import Home, derive_sessions
from whichhop.model.bulletin import DEVICE_DOWN, DEVICE_UP
from whichhop.model.fleet import PREFIX, Fleet, Series, WindowMetric, WriteVersion
from whichhop.model.units import NS_PER_S
from whichhop.outside import name, typed
from whichhop.printable import printable
from whichhop.store.fleet_server import read_windows
from whichhop.store.metrics_server import MetricsServer
from whichhop.store.outbox import Outbox

BEGIN_S = 1_772_388_000


@cache
def _home() -> Home:
    return alder_home()


def fleet_windows(octets: bytes) -> None:
    """What a server says that homes wrote, up to the table that the comparer reasons on."""
    server = MetricsServer(base="http://127.0.0.1:9090", ask=lambda url: octets, select={})
    span = BEGIN_S * NS_PER_S, (BEGIN_S + 60) * NS_PER_S
    for found in read_windows(server, [_home().name], *span).values():
        table = windows_of(_home(), found, *span)
        must(table.ticks <= 6, f"{table.ticks} windows of a minute")
        for reading in found.readings:
            must(abs(reading.at_ns) < 2**63, f"a reading at {reading.at_ns}")
            name(reading.name, "a reading's name")


def write_answer(octets: bytes) -> None:
    """What a server answers to what is written to it, again and again."""
    series = [Series(name="x", labels=(("home", "Alder House"),), points=((BEGIN_S * 1000, 1.0),))] * 3
    with scratch() as folder, _answering(octets):
        outbox = Outbox(folder / "out.db", 1 << 20)
        settings = Fleet(url="http://192.0.2.9/write", queue_octets=1 << 20)
        for _ in range(2):
            outbox.put(series)
        delivery = Delivery(outbox, 0.5, WriteVersion.TWO if octets[-1:] == b"2" else WriteVersion.ONE)
        totals = [0, 0]
        for _ in range(3):
            wait_s, trouble = turn(delivery, poster(settings), totals)
            must(0.0 <= wait_s <= max(LONGEST_WAIT_S, 2 * WAITS_S[-1]), f"a wait of {wait_s} s")
            must(printable(trouble) == trouble and len(trouble) < 500, f"words that act: {trouble!r}")
        must(sum(totals) + outbox.waiting <= 6 and min(totals) >= 0, f"of six values {totals}")
        outbox.close()


def device_line(octets: bytes) -> None:
    """The process that reads a router's connections."""
    kept: dict[str, float] = {}
    said: list[str] = []
    watch = DeviceWatch(kept.__setitem__, Troubles(said.append, Counter[str]().update), None)  # type: ignore[arg-type]
    try:
        watch._hear(octets)
    finally:
        for key, value in kept.items():
            must(key.partition(":")[0] in (DEVICE_DOWN, DEVICE_UP) and 0 <= value <= 64 * MOST_BPS, key)
            name(key, "a reading's name")
        must(len(kept) <= 128, f"{len(kept)} devices")


def fleet_child(octets: bytes) -> None:
    said = typed(octets, "the process that writes to the fleet", Written)
    must(min(said.sent, said.given_up, said.waiting) >= 0, "a count below nought")
    must(float(max(said.sent, said.given_up, said.waiting)) < 2**64, "a count beyond any")


TARGETS = named(fleet_windows, write_answer, device_line, fleet_child)


def _windows() -> bytes:
    key = derive_sessions(_home())[0].key
    labels = {"home": _home().name, "agent": key.agent, "target": key.target, "method": str(key.method)}
    of_agent = {"home": _home().name, "agent": key.agent}
    rows = [
        {
            "metric": {"__name__": PREFIX + metric, **labels},
            "values": [[BEGIN_S + 10, "9"], [BEGIN_S + 20, "0.01"]],
        }
        for metric in (WindowMetric.ANSWERED, WindowMetric.MEDIAN)
    ]
    rows += [
        {
            "metric": {"__name__": PREFIX + metric, **of_agent, "way": "out", "target": "attic", **more},
            "values": [[BEGIN_S + 10.5, "7"]],
        }
        for metric, more in (
            (WindowMetric.NOT_JUDGED, {}),
            (WindowMetric.AGENT, {"stamps": "kernel", "region": "north"}),
            (WindowMetric.RECEIVED, {}),
            (WindowMetric.TRANSFER_LASTED, {}),
        )
    ]
    return json.dumps({"status": "success", "data": {"result": rows}}).encode()


SEEDS = {
    "fleet_windows": [_windows()],
    "write_answer": [
        b"HTTP/1.1 204 No Content\r\n\r\n",
        b"HTTP/1.1 400 Bad\r\nContent-Length: 12\r\n\r\nout of order",
        b"HTTP/1.1 429 Slow\r\nRetry-After: 7\r\nContent-Length: 0\r\n\r\n",
        b"HTTP/1.1 200 OK\r\nX-Prometheus-Remote-Write-Samples-Written: 3\r\nContent-Length: 1\r\n\r\n2",
    ],
    "device_line": [
        b'{"devices": {"192.0.2.40": [2000000.0, 4200000.0]}}',
        b'{"failed": "connections may not be read"}',
        b'{"devices": {"\\u001b[2J\\u202e": [1.0, 2.0]}}',
    ],
    "fleet_child": [msgspec.json.encode(Written(sent=5, given_up=0, waiting=7, trouble="answered 500"))],
}
