"""The process that asks nl80211 for the radios' rates and signal, as long as its daemon lives.

`python -m whichhop.probes.radio_child SECONDS DEVICE...`: every so often a JSON line comes out:
{"stations": [...]} or {"failed": TEXT}; it ends when stdin does. pyroute2's megabytes stay out of the daemon,
and out of every machine without a radio: there it is never started.
"""

import select
import socket
import sys

import msgspec

from whichhop.probes.radio_stations import Station, stations_of


def _ask(devices: list[str]) -> list[Station]:
    from pyroute2.iwutil import IW  # noqa: PLC0415 - only where a radio is asked

    with IW() as radio:
        return [
            station
            for device in devices
            for station in stations_of(radio.get_stations(socket.if_nametoindex(device)), device)
        ]


def main() -> int:
    """Ask until stdin ends."""
    every_s, devices = float(sys.argv[1]), sys.argv[2:]
    while True:
        try:
            said: dict[str, object] = {"stations": _ask(devices)}
        except Exception as trouble:  # noqa: BLE001 - whatever a driver or its library does, we go on
            said = {"failed": f"{', '.join(devices)}: nl80211 tells nothing: {trouble!r}"}
        sys.stdout.write(msgspec.json.encode(said).decode() + "\n")
        sys.stdout.flush()
        if select.select([sys.stdin], [], [], every_s)[0]:
            return 0


if __name__ == "__main__":
    raise SystemExit(main())
