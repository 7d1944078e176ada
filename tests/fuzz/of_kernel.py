"""Readers of what the kernel answers over netlink. A kernel writes no rubbish; a driver below it may."""

import math

from fuzz.allowed import must, named
from support import kernel_messages as kernel
from whichhop.wire import interface_counters, netlink, port_modes, radio_air


def _messages(octets: bytes) -> list[netlink.Message]:
    return list(netlink.messages(octets, 1, "kernel"))


def _likely(value: float | None, low: float, high: float) -> None:
    must(
        value is None or (math.isfinite(value) and low <= value <= high), f"{value!r} out of {low} to {high}"
    )


def kernel_interfaces(octets: bytes) -> None:
    for one in interface_counters.interfaces_of(_messages(octets)).values():
        must(bool(one.name) and one.name.isprintable(), f"a name that acts: {one.name!r}")
        for name in ("received_frames", "sent_octets"):
            _likely(getattr(one, name), 0, 2**64 - 1)
        for name in ("errors", "dropped", "carrier_changes"):
            _likely(getattr(one, name), 0, 2**65)
    interface_counters.bridge_ports(_messages(octets))


def kernel_port(octets: bytes) -> None:
    for message in _messages(octets):
        found = port_modes.with_state(port_modes.modes_of(message, "ethtool: eth0"), message, "ethtool: eth0")
        for rate in (found.speed_bps, found.able_bps, found.partner_able_bps):
            _likely(rate, 1e6, 1.6e12)


def kernel_radio(octets: bytes) -> None:
    found = _messages(octets)
    for station in radio_air.stations_of(found):
        must(len(station.mac) == 17, f"a hardware address {station.mac!r}")
        _likely(station.signal_dbm, -120, -1)
        _likely(station.send_bps, 1e5, 1e5 * 2**64)
        _likely(station.streams, 1, 16)
    air = radio_air.airtime_of(found)
    if air is not None:
        _likely(air.frequency_mhz, 1, 100_000)
        _likely(air.busy_ms, 0, 2**64 - 1)
    radio_air.tuned_of(found)
    radio_air.power_save_of(found)


TARGETS = named(kernel_interfaces, kernel_port, kernel_radio)
SEEDS = {
    "kernel_interfaces": [
        kernel.link(2, "eth0", kernel.stats64(rx_packets=7, rx_errors=1), kernel.u8(33, 1), kernel.u32(47, 2))
        + kernel.bridge_row(2, kernel.MAC)
        + kernel.done(),
        kernel.refusal(95),
    ],
    "kernel_port": [
        kernel.generic(
            4, kernel.u8(2, 1), kernel.nest(3, kernel.bit_set(3, 5, mask=(3, 5))), kernel.u32(5, 100)
        ),
        kernel.generic(6, kernel.u8(2, 0), kernel.u8(5, 4)),
    ],
    "kernel_radio": [
        kernel.station(
            kernel.s8(7, -61), kernel.rate(8, kernel.u32(5, 8667), kernel.u8(7, 2)), kernel.u32(10, 1000)
        ),
        kernel.airtime(
            kernel.u32(1, 5180), kernel.attribute(3, b""), kernel.u64(4, 1000), kernel.u64(5, 820)
        ),
        kernel.generic(7, kernel.u32(38, 5180), kernel.u32(159, 3)),
    ],
}
