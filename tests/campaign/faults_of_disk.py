"""Faults of the process and of its disk: kills, a damaged, removed or refused store, dead children."""

import os
import random
import signal
import subprocess
from contextlib import suppress
from pathlib import Path

from campaign.house import CLOCK, House
from campaign.outcome import Outcome, Span, outcome
from campaign.shim import QUICK_DRAFTS
from whichhop.net.clock import sleep_s

SETTLE_S = 12.0
"""A packet's fate is known after 8 s, and a draft of it is written 2 s later, if drafts are quick."""


def nothing(house: House, quick: bool) -> Outcome:
    """No fault, to hold the others against."""
    house.start("desk")
    begun = CLOCK.utc_ns()
    sleep_s(8 if quick else 40)
    ended = CLOCK.utc_ns()
    code = house.stop("desk")
    return outcome(
        house, "none, for comparison", 0, [Span(begun, ended)], well=code == 0, log=house.log("desk")
    )


def kills(house: House, quick: bool) -> Outcome:
    """kill -9 at random moments, some seconds apart."""
    dice, lives = random.Random(15), []
    for _ in range(2 if quick else 12):
        house.start("desk", code=QUICK_DRAFTS)
        begun = CLOCK.utc_ns()
        sleep_s(dice.uniform(3, 6) if quick else dice.uniform(2, 25))
        house.kill("desk")
        lives.append(Span(begun, CLOCK.utc_ns()))
    house.start("desk")
    begun = CLOCK.utc_ns()
    well = house.measures()
    lives.append(Span(begun, CLOCK.utc_ns()))
    well &= house.stop("desk") == 0
    return outcome(house, "kill -9 at random", len(lives) - 1, lives, well=well, log=house.log("desk"))


def kills_a_minute(house: House, quick: bool) -> Outcome:
    """kill -9 each minute, as shipped."""
    lives = []
    for _ in range(3):
        house.start("desk")
        begun = CLOCK.utc_ns()
        sleep_s(60)
        house.kill("desk")
        lives.append(Span(begun, CLOCK.utc_ns()))
    house.start("desk")
    well = house.stop("desk") == 0
    return outcome(house, "kill -9 every minute", len(lives), lives, well=well, log=house.log("desk"))


def _damaged(house: House, name: str, part: str, quick: bool, *, running: bool) -> Outcome:
    """A store cut at a random place, while it runs or between two lives; what was kept before may go."""
    dice = random.Random(5)
    times = 1 if quick else 4
    lives, well = [], True
    house.start("desk", code=QUICK_DRAFTS)
    for _ in range(times):
        well &= house.measures()
        if not running:
            sleep_s(3)
            house.kill("desk")
        file = Path(f"{house.store('desk')}{part}")
        if file.exists():
            os.truncate(file, int(file.stat().st_size * dice.uniform(0.2, 0.95)))
        if not running:
            house.start("desk", code=QUICK_DRAFTS)
        begun = CLOCK.utc_ns()
        sleep_s(4 if quick else 75 if running else SETTLE_S)
        well &= house.alive("desk") and house.measures() and house.health()["status"] == "ok"
        lives.append(Span(begun, CLOCK.utc_ns()))
    well &= house.stop("desk") == 0
    # Of several damages only the records since the last are in the store; the others were set aside.
    return outcome(house, name, times, lives[-1:], well=well, log=house.log("desk"))


def cut_store(house: House, quick: bool) -> Outcome:
    """The store cut short between two lives."""
    return _damaged(house, "store cut short", "", quick, running=False)


def cut_store_running(house: House, quick: bool) -> Outcome:
    """The store cut short while it is in use."""
    return _damaged(house, "store cut short in use", "", quick, running=True)


def cut_log(house: House, quick: bool) -> Outcome:
    """The write-ahead log cut short after a kill."""
    return _damaged(house, "write-ahead log cut short", "-wal", quick, running=False)


def removed_store(house: House, quick: bool) -> Outcome:
    """The store's files removed while it runs."""
    house.start("desk", code=QUICK_DRAFTS)
    well = house.measures()
    times, begun = (1 if quick else 3), 0
    for _ in range(times):
        for part in ("", "-wal", "-shm"):
            with suppress(FileNotFoundError):
                Path(f"{house.store('desk')}{part}").unlink()
        begun = CLOCK.utc_ns()
        sleep_s(SETTLE_S)
        well &= house.measures()
    lives = [Span(begun, CLOCK.utc_ns())]
    well &= house.stop("desk") == 0
    return outcome(house, "store removed in use", times, lives, well=well, log=house.log("desk"))


def full_disk(house: House, quick: bool) -> Outcome:
    """A full disk for some minutes; what was measured meanwhile is written once there is room."""
    house.small_disk("desk", 1 << 20)
    house.start("desk", code=QUICK_DRAFTS)
    begun = CLOCK.utc_ns()
    well = house.measures()
    filler = str(house.folder / "disk" / "filler")
    house.on_disk("desk", "dd", "if=/dev/zero", f"of={filler}", "bs=4k", check=False)
    sleep_s(70 if quick else 130)
    well &= house.alive("desk") and house.measures()
    said = house.health()["status"]
    house.on_disk("desk", "rm", filler)
    sleep_s(3 if quick else 70)
    well &= house.measures()
    ended = CLOCK.utc_ns()
    well &= house.stop("desk") == 0
    return outcome(
        house,
        "full disk",
        1,
        [Span(begun, ended)],
        well=well,
        log=house.log("desk"),
        remark=f"/health: {said}",
    )


def read_only_disk(house: House, quick: bool) -> Outcome:
    """A disk that the system makes read-only, and puts right again."""
    house.small_disk("desk", 4 << 20)
    house.start("desk", code=QUICK_DRAFTS)
    well = house.measures()
    disk = str(house.folder / "disk")
    # Open files stay writable on a mount made read-only from here; a removal then shows what a restart meets.
    house.kill("desk")
    house.on_disk("desk", "mount", "-o", "remount,ro", disk)
    house.start("desk", code=QUICK_DRAFTS)
    again = CLOCK.utc_ns()
    sleep_s(5 if quick else 75)
    well &= house.measures()
    said = house.health()["status"]
    # In the agent's own mounts: it has a copy of them since `ip netns exec` started it.
    rw = ["nsenter", "-t", str(house.pid("desk")), "-m", "mount", "-o", "remount,rw", disk]
    subprocess.run(rw, check=True, capture_output=True)
    house.on_disk("desk", "mount", "-o", "remount,rw", disk)
    sleep_s(3 if quick else 70)
    well &= house.measures()
    lives = [Span(again, CLOCK.utc_ns())]
    well &= house.stop("desk") == 0
    return outcome(
        house,
        "read-only disk",
        1,
        lives,
        well=well,
        log=house.log("desk"),
        remark=f"/health: {said}",
        most_s=4.0,
    )


def _children(pid: int) -> dict[int, str]:
    """Living children of a process and what they run."""
    found = {}
    for task in Path(f"/proc/{pid}/task").iterdir():
        with suppress(OSError):
            for child in (task / "children").read_text().split():
                words = Path(f"/proc/{child}/cmdline").read_bytes().decode(errors="replace").split("\0")
                name = next((w for w in words if w.startswith("whichhop.") and "child_start" not in w), "")
                found[int(child)] = name or " ".join(words[-4:-1])
    return found


def dead_children(house: House, quick: bool) -> Outcome:
    """Every child that is seen is killed, whatever it does; the agent begins it again or does without."""
    house.start("desk", "--compare", code=QUICK_DRAFTS)
    begun = CLOCK.utc_ns()
    killed: dict[str, int] = {}
    end = CLOCK.mono_ns() + (12 if quick else 150) * 1e9
    while CLOCK.mono_ns() < end:
        for pid, name in _children(house.pid("desk")).items():
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
                kind = name.rpartition(".")[2] if name.startswith("whichhop.") else "comparer"
                killed[kind] = killed.get(kind, 0) + 1
        sleep_s(0.5)
    well = house.alive("desk") and house.measures()
    ended = CLOCK.utc_ns()
    names = _children(house.pid("desk"))
    remark = (
        "killed: " + ", ".join(f"{n} {k}" for k, n in sorted(killed.items())) + f"; {len(names)} run again"
    )
    well &= house.stop("desk") == 0
    return outcome(
        house,
        "dead children",
        sum(killed.values()),
        [Span(begun, ended)],
        well=well and bool(killed),
        log=house.log("desk"),
        remark=remark,
    )
