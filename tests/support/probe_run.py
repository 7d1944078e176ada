"""A probe's end in a process of its own: `reflect ADDRESS`, or `echo|stamp ADDRESS COUNT [burst]`."""

import asyncio
import json
import os
import statistics
import sys
from collections import Counter
from ipaddress import ip_network

from support.probing import Kept, key, until
from whichhop.model import Method
from whichhop.model.units import MonoNs
from whichhop.net.clock import SystemClock
from whichhop.probes.admission import Admission
from whichhop.probes.kinds.icmp_echo import EchoProber
from whichhop.probes.kinds.stamp_reflector import StampReflector
from whichhop.probes.kinds.stamp_sender import StampProber
from whichhop.wire.flight import LINGER_NS, WAIT_NS
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error

CLOCK = SystemClock()
PORT = 8862


def estimate() -> ErrorEstimate:
    return estimate_error(None, synced=False)


async def reflect(address: str) -> None:
    admission = Admission([ip_network(f"{address}/24", strict=False)])
    reflector = StampReflector(CLOCK, admission, estimate, bind=address, port=PORT)
    reflector.open(asyncio.get_running_loop())
    print("ready", flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)  # until the parent goes
    reflector.close()


async def ask(method: Method, address: str, count: int, *, burst: bool) -> None:
    kept, session = Kept(), key("far", method)
    prober: EchoProber | StampProber
    if method is Method.ECHO:
        prober = EchoProber(kept, CLOCK, os.urandom(8))
    else:
        prober = StampProber(kept, CLOCK, estimate, first_ssid=7, port=PORT)
    prober.open(asyncio.get_running_loop())
    for _ in range(count):
        prober.send(session, address)
        if not burst:
            await asyncio.sleep(0.02)
    await asyncio.sleep(0.6 if burst else 0.1)
    prober.expire(MonoNs(CLOCK.mono_ns() + WAIT_NS + LINGER_NS + 1))
    await until(lambda: len(kept.rows) == count)
    samples = kept.of(session)
    rtts = [s.rtt_ns for s in samples if s.rtt_ns is not None]
    told = {
        "fates": Counter(s.fate.name for s in samples),
        "stamps": prober.facts(session).stamps,
        "median_ns": statistics.median(rtts) if rtts else None,
        "max_ns": max(rtts, default=None),
        "max_queue_ns": max((s.queue_ns or 0 for s in samples), default=None),
    }
    if isinstance(prober, EchoProber):
        told["unprivileged"] = prober.unprivileged
    prober.close()
    print(json.dumps(told))


if __name__ == "__main__":
    what, where, *more = sys.argv[1:]
    if what == "reflect":
        asyncio.run(reflect(where))
    else:
        asyncio.run(ask(Method(what), where, int(more[0]), burst=more[1:] == ["burst"]))
