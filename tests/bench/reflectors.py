"""STAMP reflectors at many addresses in one process: `reflectors KEY_HEX PORT ADDRESS...`."""

import asyncio
import sys
from ipaddress import ip_network

from whichhop.net.clock import SystemClock
from whichhop.probes.admission import Admission
from whichhop.probes.kinds.stamp_reflector import StampReflector
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error


def estimate() -> ErrorEstimate:
    return estimate_error(None, synced=False)


async def reflect(key: bytes, port: int, addresses: list[str]) -> None:
    for address in addresses:
        admission = Admission([ip_network("127.0.0.0/8")])
        one = StampReflector(SystemClock(), admission, estimate, bind=address, port=port, key=key)
        one.open(asyncio.get_running_loop())
    print("ready", flush=True)
    await asyncio.Event().wait()


if __name__ == "__main__":
    asyncio.run(reflect(bytes.fromhex(sys.argv[1]), int(sys.argv[2]), sys.argv[3:]))
