"""Days in hours: an agent whose clocks run sixty times as fast, and what it uses from hour to hour."""

import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

from msgspec import Struct

from campaign.house import CLOCK, House, house, names_server
from campaign.shim import faster
from support.namespaces import Path4
from whichhop.net.clock import sleep_s

RATE = 60


class Hour(Struct, frozen=True, kw_only=True):
    """At the end of an hour of the agent's own. store_mb: the file and its log."""

    hour: int
    resident_mb: float
    threads: int
    descriptors: int
    children: int
    store_mb: float
    packets: int
    log_lines: int


def _look(made: House, hour: int) -> Hour:
    proc = Path(f"/proc/{made.pid('desk')}")
    status = (proc / "status").read_text()
    size = sum(p.stat().st_size for p in made.folder.glob("desk.db*"))
    text = made.get("desk", "/metrics").decode()
    sent = sum(float(n) for n in re.findall(r"^whichhop_packets_sent_total\{.*\} (\S+)", text, re.M))
    children = sum(len((t / "children").read_text().split()) for t in (proc / "task").iterdir())
    resident = re.search(r"VmRSS:\s+(\d+)", status)
    threads = re.search(r"Threads:\s+(\d+)", status)
    assert resident is not None
    assert threads is not None
    return Hour(
        hour=hour,
        resident_mb=int(resident[1]) / 1024,
        threads=int(threads[1]),
        descriptors=len(list((proc / "fd").iterdir())),
        children=children,
        store_mb=size / 1e6,
        packets=round(sent),
        log_lines=len(made.log("desk").splitlines()),
    )


def endure(path: Path4, minutes: float) -> Iterator[Hour]:
    """An hour of the agent's for each minute, given as it ends: one cut short has said what it saw."""
    with (
        tempfile.TemporaryDirectory(prefix="campaign-") as folder,
        house(path, Path(folder) / "endure") as made,
        names_server(path),
    ):
        made.start("desk", code=faster(RATE))
        begun = CLOCK.mono_ns()
        for hour in range(1, round(minutes) + 1):
            sleep_s(max(0.0, begun / 1e9 + hour * 3600 / RATE - CLOCK.mono_ns() / 1e9))
            yield _look(made, hour)
        made.stop("desk")
        made.kept()


HEAD = "hour  resident MB  threads  descriptors  children  store MB   packets  lines told"


def row(h: Hour) -> str:
    return (
        f"{h.hour:>4}{h.resident_mb:>13.1f}{h.threads:>9}{h.descriptors:>13}{h.children:>10}"
        f"{h.store_mb:>10.2f}{h.packets:>10}{h.log_lines:>12}"
    )
