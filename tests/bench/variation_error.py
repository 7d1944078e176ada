"""Delay variation of each way on the emulated home as the agent measures it, against packets captured there.

Truth: tshark at both ends of the link, each packet found again by its sequence number; its stamps are the
kernel's, of the one clock that both ends have here. Compared is each packet's delay above the fastest, with
the machine as it was and with a loop of computing on every core.
"""

import subprocess
import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from bench.busy import busy_cores
from bench.figure import Figure
from support.lab_agent import PORT
from support.lab_measuring import Measuring, Seen, measuring
from support.need import need_program
from whichhop.lab.build.programs import Running
from whichhop.net.clock import sleep_s
from whichhop.stats.measures import joined

FAULTS = ("jitter 3ms up", "jitter 2ms down")
GAP_S, SECONDS = 0.02, 24.0
TARGET_US = 100.0
SEQ, SENDER_SEQ = slice(0, 8), slice(48, 56)
"""Where a packet's number stands in its payload as hex: the sender's own, and its copy in an answer."""


def capture(lab: Measuring, node: str, device: str, path: Path) -> Running:
    argv = [need_program("tshark"), "-q", "-i", device, "-f", f"udp port {PORT}", "-w", str(path)]
    running = lab.home.place(node).run(argv)
    while "Capturing on" not in running.output():
        assert running.poll() is None, running.output()
        sleep_s(0.05)
    sleep_s(0.5)  # it says so a little before it does
    return running


def times_ns(path: Path) -> tuple[dict[int, int], dict[int, int]]:
    """When each number went by, out and back, ns since the epoch."""
    argv = [need_program("tshark"), "-r", str(path), "-T", "fields"]
    argv += ["-e", "frame.time_epoch", "-e", "udp.dstport", "-e", "udp.payload"]
    lines = subprocess.run(argv, capture_output=True, text=True, check=True).stdout.splitlines()
    out: dict[int, int] = {}
    back: dict[int, int] = {}
    for line in lines:
        at, port, payload = line.split("\t")
        seconds, _, fraction = at.partition(".")
        ns = int(seconds) * 10**9 + int(fraction.ljust(9, "0")[:9])
        hexed = payload.replace(":", "")
        if int(port) == PORT:
            out[int(hexed[SEQ], 16)] = ns
        else:
            back[int(hexed[SENDER_SEQ], 16)] = ns
    return out, back


def errors_us(lab: Measuring, folder: Path, name: str) -> dict[str, np.ndarray]:
    """By way, what each packet's delay above the fastest is off from the captures', us."""
    near, far = folder / f"{name}-near.pcapng", folder / f"{name}-far.pcapng"
    running = [capture(lab, "desk", "to-attic", near), capture(lab, "attic", "to-desk", far)]
    seen: Seen = lab.session(*FAULTS, gap_s=GAP_S, seconds=SECONDS)
    for one in running:
        one.stop()
    (out_near, back_near), (out_far, back_far) = times_ns(near), times_ns(far)
    rows = []
    for number, sample in enumerate(joined(seen.records)):
        met = all(number in found for found in (out_near, back_near, out_far, back_far))
        if met and sample.rtt_ns is not None and sample.out_ns is not None:
            true_out = out_far[number] - out_near[number]
            true_back = back_near[number] - back_far[number]
            rows.append((sample.out_ns, true_out, sample.rtt_ns - sample.out_ns, true_back))
    table = np.array(rows, dtype=np.float64)
    table -= table.min(axis=0)
    return {
        "out": np.abs(table[:, 0] - table[:, 1]) / 1e3,
        "back": np.abs(table[:, 2] - table[:, 3]) / 1e3,
    }


def run() -> Iterator[Figure]:
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        folder.chmod(0o777)  # tshark captures as a user of its own
        with measuring(folder) as lab:
            found = {"": errors_us(lab, folder, "plain")}
            with busy_cores():
                found["-busy"] = errors_us(lab, folder, "busy")
    for load, ways in found.items():
        for way, errors in ways.items():
            value = round(float(np.quantile(errors, 0.99)), 1)
            yield Figure(
                bench=f"variation-error-{way}{load}",
                value=value,
                unit="us",
                target=TARGET_US,
                ok=value <= TARGET_US,
                beside={"p50": round(float(np.median(errors)), 1), "packets": float(len(errors))},
            )
