"""An agent's measuring half as the daemon joins it: `reflect ADDRESS` or `measure FOLDER ADDRESS`.

`measure` takes one order after another: for each file N.order (JSON: gap_s, seconds) in FOLDER it sends a
fresh session's packets on the daemon's own schedule, alarm, watch and minute book, and writes N.records.
"""

import asyncio
import base64
import json
import sys
from ipaddress import ip_network
from pathlib import Path

from whichhop.daemon.agent import Agent
from whichhop.model import Method, Reading, Record, Session, SessionKey
from whichhop.model import Path as Way
from whichhop.model.units import MonoNs
from whichhop.net.clock import SystemClock
from whichhop.net.host import Host
from whichhop.net.timer import open_alarm
from whichhop.probes.admission import Admission
from whichhop.probes.kinds.stamp_reflector import StampReflector
from whichhop.probes.kinds.stamp_sender import StampProber
from whichhop.probes.machine_trouble import MachineTrouble
from whichhop.probes.watch import MachineWatch
from whichhop.wire.flight import LINGER_NS, WAIT_NS
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error, settle
from whichhop.wire.packed import pack

CLOCK = SystemClock()
PORT = 8862
STRAGGLERS_S = 0.4
"""Longer than the emulated home holds any packet that it does not lose."""


def estimate() -> ErrorEstimate:
    return estimate_error(None, synced=False)


async def reflect(address: str) -> None:
    admission = Admission([ip_network("192.0.2.0/24")])
    StampReflector(CLOCK, admission, estimate, bind=address, port=PORT).open(asyncio.get_running_loop())
    print("ready", flush=True)
    await asyncio.Event().wait()


async def session(number: int, address: str, gap_s: float, seconds: float) -> list[Record]:
    """One fresh session, sent, settled and cut into records by the daemon's own parts."""
    records: list[Record] = []

    def keep(new: list[Record], _readings: list[Reading]) -> None:
        records.extend(settle(r) for r in new)

    agent = Agent(clock=CLOCK, probers={}, dice=lambda: 0.5, keep=keep, observe=lambda _key, _sample: None)
    agent.watch = watch = MachineWatch(MachineTrouble("desk"), CLOCK, Host(), agent.take)
    prober = StampProber(watch.sink, CLOCK, estimate, first_ssid=100 + number, port=PORT)
    loop = asyncio.get_running_loop()
    prober.open(loop)
    agent.probers = {Method.STAMP: prober}
    key = SessionKey(agent="desk", target="attic", method=Method.STAMP)
    way = Way(nodes=("desk", "attic"), links=())
    agent.add(Session(key=key, address=address, path=way, interval_s=gap_s))

    def wake(due: MonoNs) -> None:
        alarm.set(agent.wake(due))

    alarm = open_alarm(loop, wake)
    alarm.set(CLOCK.mono_ns())
    await asyncio.sleep(seconds)
    agent.schedule.keep_only(())
    await asyncio.sleep(STRAGGLERS_S)
    alarm.close()
    # What is still out is lost by now; the waiting time is told to be over rather than waited for.
    for later in (WAIT_NS, WAIT_NS + LINGER_NS):
        prober.expire(MonoNs(CLOCK.mono_ns() + later + 1))
    agent.stop()
    prober.close()
    return records


async def measure(folder: Path, address: str) -> None:
    number = 0
    print("ready", flush=True)
    while True:
        order = folder / f"{number}.order"
        while not order.exists():
            await asyncio.sleep(0.01)
        asked = json.loads(order.read_text())
        records = await session(number, address, asked["gap_s"], asked["seconds"])
        part = folder / f"{number}.part"
        part.write_bytes(base64.b64encode(pack(tuple(records))))
        part.rename(folder / f"{number}.records")
        number += 1


if __name__ == "__main__":
    if sys.argv[1] == "reflect":
        asyncio.run(reflect(sys.argv[2]))
    else:
        asyncio.run(measure(Path(sys.argv[2]), sys.argv[3]))
