"""One end of a measurement in a process of its own: `reflect ADDRESS PORT` or `ask ADDRESS PORT SECONDS`."""

import asyncio
import json
import sys
from ipaddress import ip_network

from support.probing import Kept, key
from whichhop.model import Method
from whichhop.model.units import NS_PER_S, MonoNs
from whichhop.net.clock import SystemClock
from whichhop.net.timer import open_alarm
from whichhop.probes.admission import Admission
from whichhop.probes.kinds.stamp_reflector import StampReflector
from whichhop.probes.kinds.stamp_sender import StampProber
from whichhop.wire.flight import WAIT_NS
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error

CLOCK = SystemClock()
RATE_PER_S = 50


def estimate() -> ErrorEstimate:
    return estimate_error(None, synced=False)


async def reflect(address: str, port: int) -> None:
    admission = Admission([ip_network(f"{address}/24", strict=False)], rate_per_s=1e6, burst=1e6)
    reflector = StampReflector(CLOCK, admission, estimate, bind=address, port=port)
    reflector.open(asyncio.get_running_loop())
    print("ready", flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)  # until the parent closes it
    reflector.close()


async def ask(address: str, port: int, seconds: float) -> None:
    """Three ways of timing, packet by packet in turn, so that the same noise meets all three."""
    loop = asyncio.get_running_loop()
    kept = Kept()
    ways = {
        "follow-up": StampProber(kept, CLOCK, estimate, first_ssid=1, port=port),
        "kernel": StampProber(kept, CLOCK, estimate, first_ssid=2, port=port, follow_up=False),
        "user-space": StampProber(
            kept, CLOCK, estimate, first_ssid=3, port=port, follow_up=False, kernel_stamps=False
        ),
    }
    for prober in ways.values():
        prober.open(loop)
    step_ns = NS_PER_S // (RATE_PER_S * len(ways))
    left = int(seconds * RATE_PER_S) * len(ways)
    done = asyncio.Event()
    names = list(ways)

    def wake(due: MonoNs) -> None:
        nonlocal left
        name = names[left % len(names)]
        ways[name].send(key(name, Method.STAMP), address)
        left -= 1
        if left > 0:
            alarm.set(MonoNs(due + step_ns))
        else:
            done.set()

    alarm = open_alarm(loop, wake)
    alarm.set(MonoNs(CLOCK.mono_ns() + step_ns))
    await done.wait()
    await asyncio.sleep(0.2)
    alarm.close()
    for prober in ways.values():
        prober.expire(MonoNs(CLOCK.mono_ns() + WAIT_NS + 1))
        prober.close()
    # the first second warms caches and the kernel's stamping, which is switched on by the first socket
    rtts = {n: [s.rtt_ns for s in kept.of(key(n, Method.STAMP)) if s.rtt_ns is not None] for n in ways}
    print(json.dumps({n: values[RATE_PER_S:] for n, values in rtts.items()}))


if __name__ == "__main__":
    what, where, at, *more = sys.argv[1:]
    asyncio.run(reflect(where, int(at)) if what == "reflect" else ask(where, int(at), float(more[0])))
