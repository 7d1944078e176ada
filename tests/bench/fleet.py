"""Many homes on one real server: what they cost it, and how long it takes to judge the last hour of all.

An hour of each home is written by remote write as fast as the server takes it. The hours are a few drawn ones
under other names; some have a fault that must be found. `live` writes at the rate of real homes instead,
kills the server in the middle and counts what it has in the end; `backfilled` is a day as blocks, `day`
one by remote write, hour after hour.
"""

import json
import os
import resource
import shutil
import subprocess
import tempfile
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Timer

import cramjam
from msgspec.structs import replace

from bench.figure import Figure
from paper_home.paper import prepare
from paper_home.records import readings_of_run
from paper_home.table import table_of_run
from support.fleet_answers import series_of
from support.metrics_history import Receiver, receiver
from support.need import need_program
from whichhop.app.fleet.homes import Standing
from whichhop.app.fleet.many import Judged, Server, Span, judge_all
from whichhop.lab.scenario import Effect, Fault
from whichhop.lab.standard_home import HOME_FILE, alder_scenario
from whichhop.model import Cause
from whichhop.model.fleet import PREFIX, Series, WindowMetric, WriteVersion
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.http_client import HttpClient, HttpError
from whichhop.store.fleet_server import read_in_pieces, read_windows
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


def _drawn(start_ns: int) -> list[list[Series]]:
    """The drawn hours, of a home NAME.format(0)."""
    out = []
    for number in range(DRAWN):
        faults = ()
        if number in FAULTS:
            element, cause, effect = FAULTS[number]
            faults = (Fault(at_s=2700, for_s=900, element=element, cause=cause, effect=effect),)
        run = prepare(replace(alder_scenario(faults, seconds=SECONDS), noise=1.0), number)
        table, readings = table_of_run(run, start_ns), readings_of_run(run, start_ns)
        out.append(series_of(NAME.format(0), table, readings, kernel=True))
    return out


def _body(told: list[Series]) -> bytes:
    return bytes(cramjam.snappy.decompress_raw(request(told, WriteVersion.ONE)))


def _points(told: Iterable[Series]) -> int:
    return sum(len(one.points) for one in told)


def _write(server: Receiver, bodies: list[bytes], homes: int) -> float:
    clock = SystemClock()
    began = clock.mono_ns()

    def one(number: int) -> None:
        _post(server, bodies[number % DRAWN], number)

    with ThreadPoolExecutor(2) as pool:
        list(pool.map(one, range(homes)))
    return (clock.mono_ns() - began) / NS


def _post(server: Receiver, body: bytes, number: int) -> None:
    """One home's message; again until the server has it, as an agent's queue does."""
    body = body.replace(NAME.format(0).encode(), NAME.format(number).encode())
    packed = bytes(cramjam.snappy.compress_raw(body))
    for _ in range(600):
        try:
            client = HttpClient(seconds=120, most_octets=1 << 16)
            said = client.ask(server.write, headers=dict(headers(WriteVersion.ONE)), body=packed)
        except HttpError:
            sleep_s(0.2)
            continue
        if said.status in (200, 204):
            return
        assert said.status == 503, said  # it reads its log of writes again
        sleep_s(0.2)
    raise AssertionError("the server did not come back")


def _kept(server: Receiver, at_s: float, seconds: int, homes: int) -> int:
    """Samples that the server has of the seconds before a time."""
    out = 0
    for metric in WindowMetric:  # a count drops the name, so that two metrics would look alike
        for part in range(0, homes, 100):
            names = "|".join(NAME.format(n) for n in range(part, min(homes, part + 100)))
            query = f'sum(count_over_time({PREFIX}{metric}{{home=~"{names}"}}[{seconds}s]))'
            out += sum(int(row["value"][1]) for row in server.query(query, at_s))
    return out


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


def _asked_s(server: Receiver, end_ns: int) -> float:
    """How long one home's last hour takes to be asked for."""
    clock = SystemClock()
    asked = clock.mono_ns()
    read_windows(Server(base=server.base).opened(), [NAME.format(0)], end_ns - SECONDS * NS, end_ns)
    return (clock.mono_ns() - asked) / NS


def _judged(place: Path, server: Receiver, homes: int, end_ns: int) -> tuple[list[Judged], float]:
    """What is said of the last hour of all homes, and how long that took."""
    clock, files = SystemClock(), _folder(place, homes)
    began = clock.mono_ns()
    found = judge_all(
        files,
        Server(base=server.base),
        Span(start_ns=end_ns - SECONDS * NS, end_ns=end_ns),
        share=(1, 1),
        processes=2,
        tell=lambda *_: None,
    )
    return found, (clock.mono_ns() - began) / NS


def row(homes: int) -> dict[str, float]:
    """One row of the table: a server of its own, filled, asked, judged."""
    clock = SystemClock()
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        end_ns = clock.utc_ns() // (60 * NS) * 60 * NS
        drawn = _drawn(end_ns - SECONDS * NS)
        bodies = [_body(told) for told in drawn]
        series, samples = sum(map(len, drawn)) // DRAWN, sum(map(_points, drawn)) // DRAWN
        with receiver(place) as server:
            server.admin = True
            server.begin()
            wrote_s = _write(server, bodies, homes)
            kept = _kept(server, end_ns / NS + 1, SECONDS + 60, homes)
            query_s = _asked_s(server, end_ns)
            before = _processor_s(server)
            found, judged_s = _judged(place, server, homes, end_ns)
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
            "samples_kept": kept,
            "query_s": query_s,
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


ROUND_S = 30


def live(homes: int, rounds: int) -> dict[str, float]:
    """Homes that write at their own rate, each half minute what was measured in it.

    In the middle the server is killed as by a power cut, and begun again ten seconds later; the writers try
    again as agents do. In the end every sample must be there, once.
    """
    clock = SystemClock()
    with tempfile.TemporaryDirectory() as folder, receiver(Path(folder)) as server:
        server.begin()
        start_ns = clock.utc_ns() // (10 * NS) * 10 * NS
        drawn = _drawn(start_ns)
        taken, killed_s, sent = [], 0.0, 0
        origin = clock.mono_ns()
        for number in range(rounds):
            first = (start_ns + number * ROUND_S * NS) // 10**6
            cut = [_between(told, first, first + ROUND_S * 1000) for told in drawn]
            bodies = [_body(told) for told in cut]
            sent += sum(_points(cut[home % DRAWN]) for home in range(homes))
            sleep_s(max(0.0, ROUND_S * (number + 1) - (clock.mono_ns() - origin) / NS))
            if number == rounds // 2:
                killer = Timer(1.0, server.kill)
                killer.start()
                again = Timer(10.0, server.begin)
                again.start()
                killed_s = _write(server, bodies, homes)
                again.join()
            else:
                taken.append(_write(server, bodies, homes))
        ran_s = (clock.mono_ns() - origin) / NS
        # Readings have their own times, some a moment past their window's end.
        kept = _kept(server, start_ns / NS + rounds * ROUND_S + 60, rounds * ROUND_S + 120, homes)
        _, servers_s = _processor_s(server)
        return {
            "homes": homes,
            "seconds": ran_s,
            "samples_sent": sent,
            "samples_kept": kept,
            "samples_s": sent / ran_s,
            "round_s": sorted(taken)[len(taken) // 2],
            "worst_round_s": max(taken),
            "killed_round_s": killed_s,
            "server_processor_s_since_restart": servers_s,
            "memory_mb": _memory_mb(server),
        }


def _between(told: list[Series], first_ms: int, end_ms: int) -> list[Series]:
    cut = [replace(one, points=tuple(p for p in one.points if first_ms < p[0] <= end_ms)) for one in told]
    return [one for one in cut if one.points]


def backfilled(homes: int, hours: int = 24) -> dict[str, float]:
    """A day of homes as blocks, made by the server's own tool from its text format, two hours at a time."""
    clock = SystemClock()
    end_ns = clock.utc_ns() // (7200 * NS) * 7200 * NS
    drawn = _drawn(end_ns)
    lines = [
        [
            (f"{one.name}{{{','.join(f'{k}={json.dumps(v)}' for k, v in one.labels)}}} {float(value)!r} ", at)
            for one in told
            for at, value in one.points
        ]
        for told in drawn
    ]
    began = clock.mono_ns()
    with tempfile.TemporaryDirectory() as folder:
        place, make = Path(folder), need_program("promtool")
        for block in range(hours // 2):
            text = place / "block.om"
            with text.open("w") as file:
                for hour in (0, 1):
                    back_ms = (hours - 2 * block - hour) * 3600 * 1000
                    for home in range(homes):
                        name = NAME.format(home)
                        for words, at in lines[home % DRAWN]:
                            file.write(f"{words.replace(NAME.format(0), name)}{(at - back_ms) / 1000:.3f}\n")
                file.write("# EOF\n")
            subprocess.run(
                [make, "tsdb", "create-blocks-from", "openmetrics", str(text), str(place / "data")],
                check=True,
                capture_output=True,
            )
            text.unlink()
        octets = sum(p.stat().st_size for p in (place / "data").rglob("*") if p.is_file())
    samples = sum(len(lines[home % DRAWN]) for home in range(homes)) * hours
    return {
        "homes": homes,
        "hours": hours,
        "samples": samples,
        "seconds": (clock.mono_ns() - began) / NS,
        "disk_mb": octets / 1e6,
        "octets_a_sample": octets / samples,
    }


def day(homes: int, hours: int = 24) -> dict[str, float]:
    """A day of homes by remote write, hour after hour; then the last hour of all is judged."""
    clock = SystemClock()
    with tempfile.TemporaryDirectory() as folder, receiver(Path(folder)) as server:
        server.begin()
        end_ns = clock.utc_ns() // (60 * NS) * 60 * NS
        drawn, wrote_s, samples = _drawn(end_ns - SECONDS * NS), 0.0, 0
        for back in reversed(range(hours)):
            moved_ms = back * SECONDS * 1000
            hour = [
                [replace(one, points=tuple((at - moved_ms, v) for at, v in one.points)) for one in told]
                for told in drawn
            ]
            wrote_s += _write(server, [_body(told) for told in hour], homes)
            samples += sum(_points(hour[home % DRAWN]) for home in range(homes))
        query_s = _asked_s(server, end_ns)
        asked = clock.mono_ns()
        one_home = replace(Server(base=server.base).opened(), select={"home": NAME.format(0)})
        whole = read_in_pieces(one_home, NAME.format(0), end_ns - hours * SECONDS * NS, end_ns)
        day_s = (clock.mono_ns() - asked) / NS
        assert whole is not None
        found, judged_s = _judged(Path(folder), server, homes, end_ns)
        data = Path(folder) / "data"
        return {
            "homes": homes,
            "hours": hours,
            "samples": samples,
            "written_samples_s": samples / wrote_s,
            "disk_mb": sum(p.stat().st_size for p in data.rglob("*") if p.is_file()) / 1e6,
            "disk_mb_of_blocks": sum(p.stat().st_size for p in data.glob("0*/**/*") if p.is_file()) / 1e6,
            "memory_mb": _memory_mb(server),
            "hour_of_a_home_s": query_s,
            "day_of_a_home_s": day_s,
            "windows_of_the_day": sum(len(t[WindowMetric.ANSWERED]) for t in whole.of_sessions.values()),
            "judged_s": judged_s,
            "told": len(found),
        }


def run(sizes: tuple[int, ...] = (10, 100)) -> list[Figure]:
    """10 and 100 homes; `python -m bench.fleet 1000` for more, `live 1000 10`, `day 1000` beside."""
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

    match sys.argv[1:]:
        case ["live", homes, rounds]:
            print(json.dumps(live(int(homes), int(rounds))))
        case ["day", homes]:
            print(json.dumps(day(int(homes))))
        case ["backfilled", homes]:
            print(json.dumps(backfilled(int(homes))))
        case sizes:
            run(tuple(int(word) for word in sizes))
