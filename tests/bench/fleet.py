"""Many homes on one real server: what they cost it, and how long it takes to judge the last hour of all.

An hour of each home is written by remote write as fast as the server takes it. The hours are a few drawn ones
under other names; some have a fault that must be found.
"""

import json
import os
import resource
import shutil
import subprocess
import tempfile
from collections import Counter
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import cramjam

from bench.figure import Figure
from paper_home.paper import prepare
from paper_home.records import readings_of_run
from paper_home.table import table_of_run
from support.fleet_answers import series_of
from support.metrics_history import Receiver, receiver
from whichhop.app.fleet.many import Server, Span, judge_all
from whichhop.app.homes import Standing
from whichhop.lab.scenario import Effect, Fault
from whichhop.lab.standard_home import HOME_FILE, alder_scenario
from whichhop.model import Cause
from whichhop.model.fleet import WriteVersion
from whichhop.net.clock import SystemClock
from whichhop.net.http_client import HttpClient
from whichhop.wire.remote_write import headers, request

NS = 1_000_000_000
SECONDS = 3600
NAME = "home-{:05d}"
FAULTS = {
    3: ("modem/provider-edge", Cause.UPSTREAM_LINK, Effect(delay_s=0.04, loss_ratio=0.04)),
    4: ("attic/router", Cause.BACKHAUL, Effect(delay_s=0.03, loss_ratio=0.05)),
}
"""Of each ten homes two have a fault, for the last quarter of the hour."""
DRAWN = 10


def _bodies(start_ns: int) -> tuple[list[bytes], int, int]:
    """The drawn hours as uncompressed messages of a home NAME.format(0); series and samples of one, about."""
    out, series, samples = [], 0, 0
    for number in range(DRAWN):
        faults = ()
        if number in FAULTS:
            element, cause, effect = FAULTS[number]
            faults = (Fault(at_s=2700, for_s=900, element=element, cause=cause, effect=effect),)
        run = prepare(replace(alder_scenario(faults, seconds=SECONDS), noise=1.0), number)
        told = series_of(
            NAME.format(0), table_of_run(run, start_ns), readings_of_run(run, start_ns), kernel=True
        )
        series, samples = series + len(told), samples + sum(len(one.points) for one in told)
        out.append(bytes(cramjam.snappy.decompress_raw(request(told, WriteVersion.ONE))))
    return out, series // DRAWN, samples // DRAWN


def _write(server: Receiver, bodies: list[bytes], homes: int) -> float:
    clock = SystemClock()
    began = clock.mono_ns()

    def one(number: int) -> None:
        body = bodies[number % DRAWN].replace(NAME.format(0).encode(), NAME.format(number).encode())
        client = HttpClient(seconds=120, most_octets=1 << 16)
        packed = bytes(cramjam.snappy.compress_raw(body))
        said = client.ask(server.write, headers=dict(headers(WriteVersion.ONE)), body=packed)
        assert said.status in (200, 204), said

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(one, range(homes)))
    return (clock.mono_ns() - began) / NS


def _folder(place: Path, homes: int) -> Path:
    files = place / f"files-{homes}"
    files.mkdir()
    assert "home: Alder House" in HOME_FILE
    for number in range(homes):
        text = HOME_FILE.replace("home: Alder House", f"home: {NAME.format(number)}")
        (files / f"{number:05d}.yaml").write_text(text)
    return files


def _processor_s(server: Receiver) -> tuple[float, float]:
    """Of our own processes that have ended, and of the server so far: busy neighbours do not count in it."""
    assert server.running is not None
    told = Path(f"/proc/{server.running.pid}/stat").read_text().rpartition(")")[2].split()
    ours = resource.getrusage(resource.RUSAGE_CHILDREN)
    ticks = os.sysconf("SC_CLK_TCK")
    return ours.ru_utime + ours.ru_stime, (int(told[11]) + int(told[12])) / ticks


def _memory_mb(server: Receiver) -> float:
    assert server.running is not None
    status = Path(f"/proc/{server.running.pid}/status").read_text()
    return int(next(x for x in status.splitlines() if x.startswith("VmRSS")).split()[1]) / 1024


def row(homes: int) -> dict[str, float]:
    """One row of the table: a server of its own, filled, asked, judged."""
    clock = SystemClock()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        end_ns = clock.utc_ns() // (60 * NS) * 60 * NS
        bodies, series, samples = _bodies(end_ns - SECONDS * NS)
        with receiver(place) as server:
            server.admin = True
            server.begin()
            wrote_s = _write(server, bodies, homes)
            files = _folder(place, homes)
            began, before = clock.mono_ns(), _processor_s(server)
            found = judge_all(
                files,
                Server(base=server.base),
                Span(start_ns=end_ns - SECONDS * NS, end_ns=end_ns),
                share=(1, 1),
                processes=2,
                tell=lambda *_: None,
            )
            judged_s = (clock.mono_ns() - began) / NS
            ours_s, servers_s = (b - a for a, b in zip(before, _processor_s(server), strict=True))
            memory = _memory_mb(server)
            octets = _snapshot(server)
        said = {one.row.home: one.row for one in found}
        right = Counter[str]()
        for number in range(homes):
            one = said[NAME.format(number)]
            want = FAULTS.get(number % DRAWN)
            names = {f.cause for f in one.faults}
            good = one.standing is Standing.NO_FAULT if want is None else str(want[1]) in names
            right["right" if good else "other"] += 1
        return {
            "homes": homes,
            "series": series * homes,
            "samples": samples * homes,
            "live_samples_s": samples * homes / SECONDS,
            "written_samples_s": samples * homes / wrote_s,
            "octets_a_sample": octets / (samples * homes),
            "disk_mb_a_day": octets * 24 / 1e6,
            "memory_mb": memory,
            "judged_s": judged_s,
            "judged_processor_s": ours_s,
            "server_processor_s": servers_s,
            "told_right": right["right"],
        }


def _snapshot(server: Receiver) -> int:
    """Octets of the hour's blocks, index included, as the server itself writes them."""
    said = HttpClient(seconds=300, most_octets=1 << 16).ask(
        f"{server.base}/api/v1/admin/tsdb/snapshot", body=b""
    )
    name = json.loads(said.body)["data"]["name"]
    done = subprocess.run(
        [shutil.which("du") or "du", "-sb", str(server.folder / "data" / "snapshots" / name)],
        check=True,
        capture_output=True,
        text=True,
    )
    return int(done.stdout.split()[0])


def run(sizes: tuple[int, ...] = (10, 100)) -> list[Figure]:
    """10 and 100 homes; `python -m bench.fleet 1000` for more."""
    out = []
    for homes in sizes:
        found = row(homes)
        print(json.dumps({k: round(v, 3) for k, v in found.items()}), flush=True)
        seconds, target = found.pop("judged_s"), max(10.0, homes * 0.06)
        ok = seconds <= target and found["told_right"] == homes
        out.append(
            Figure(bench=f"fleet-{homes}", value=seconds, unit="s", target=target, ok=ok, beside=found)
        )
    return out


if __name__ == "__main__":
    import sys

    run(tuple(int(word) for word in sys.argv[1:]))
