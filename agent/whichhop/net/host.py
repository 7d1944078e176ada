"""What this machine says of itself: interface counters, link speed, processor steal; root path given."""

import os
from pathlib import Path

from msgspec import Struct

_HOTTEST_C = 150.0
"""No processor of a home runs hotter (common practice); what reads more is no sensor."""
_FIRST_LINE_BYTES = 256
"""Eleven words of up to twenty digits (man proc_stat, 5)."""


class InterfaceCounters(Struct, frozen=True, kw_only=True):
    """Bytes since the interface came up, as the kernel counts them (64 bits)."""

    name: str
    rx_bytes: int
    tx_bytes: int


class LinkSpeed(Struct, frozen=True, kw_only=True):
    """An Ethernet link's negotiated rate; None where the driver does not tell (radio, veth down)."""

    speed_bps: int | None
    full_duplex: bool | None


class CpuTicks(Struct, frozen=True, kw_only=True):
    """Processor time of all cores since boot in clock ticks (man proc_stat, 5).

    steal: time the hypervisor ran something else while this machine had work; part of `total`.
    """

    total: int
    idle: int
    steal: int


class Host:
    """Reads /proc and /sys under a root, so that tests can hand in a made-up tree."""

    def __init__(self, root: Path = Path("/")) -> None:
        self._root = root
        self._stat = -1

    def _read(self, name: str) -> str | None:
        try:
            # No Path: each one made puts its parts into the interpreter's table of words, for years.
            with open(f"{self._root}/{name}", encoding="ascii", errors="replace") as file:  # noqa: PTH123
                return file.read()
        except OSError:
            return None  # no such file, or the driver refuses to tell while the link is down

    def counters(self) -> dict[str, InterfaceCounters]:
        """Every interface of this network namespace by name; empty where /proc/net/dev is missing.

        Columns of /proc/net/dev: 8 of receive (bytes, packets, errors, drop, ...) and 8 of transmit.
        """
        out = {}
        for line in (self._read("proc/net/dev") or "").splitlines()[2:]:
            name, _, rest = line.partition(":")
            fields = rest.split()
            if len(fields) < 16:
                continue
            out[name.strip()] = InterfaceCounters(
                name=name.strip(), rx_bytes=int(fields[0]), tx_bytes=int(fields[8])
            )
        return out

    def link_speed(self, interface: str) -> LinkSpeed:
        """Speed and duplex as the driver tells them (sysfs-class-net: Mbit/s, -1 when unknown)."""
        speed = (self._read(f"sys/class/net/{interface}/speed") or "").strip()
        duplex = (self._read(f"sys/class/net/{interface}/duplex") or "").strip()
        megabits = int(speed) if speed.lstrip("-").isdigit() else -1
        return LinkSpeed(
            speed_bps=megabits * 1_000_000 if megabits > 0 else None,
            full_duplex=duplex == "full" if duplex in ("full", "half") else None,
        )

    def radios(self) -> list[str]:
        """Wireless devices, by name: those that cfg80211 knows (sysfs-class-net: phy80211)."""
        return sorted(path.parent.name for path in self._root.glob("sys/class/net/*/phy80211"))

    def is_bridge(self, interface: str) -> bool:
        """Whether it joins ports rather than being one."""
        return (self._root / f"sys/class/net/{interface}/bridge").exists()

    def hardware_addresses(self) -> dict[str, str]:
        """Hardware address, lower case, by IPv4 address, from the kernel's neighbour table.

        Columns of /proc/net/arp: address, type, flags, hardware address, mask, device.
        """
        rows = [line.split() for line in (self._read("proc/net/arp") or "").splitlines()[1:]]
        return {r[0]: r[3].lower() for r in rows if len(r) >= 6 and r[3] != "00:00:00:00:00:00"}

    def cpu(self) -> CpuTicks | None:
        """The processors' ticks so far, or None where /proc/stat is missing or of another shape."""
        line = self._first_of_stat().partition(b"\n")[0].split()
        # cpu user nice system idle iowait irq softirq steal; guest time is already inside user.
        if len(line) < 9 or line[0] != b"cpu":
            return None
        ticks = [int(f) for f in line[1:9]]
        return CpuTicks(total=sum(ticks), idle=ticks[3] + ticks[4], steal=ticks[7])

    def _first_of_stat(self) -> bytes:
        """The beginning of /proc/stat, which is asked for each second and so kept open."""
        try:
            if self._stat < 0:
                self._stat = os.open(self._root / "proc/stat", os.O_RDONLY)
            return os.pread(self._stat, _FIRST_LINE_BYTES, 0)
        except OSError:
            return b""

    def uptime_s(self) -> float | None:
        """Since the machine started, sleep included (man proc_uptime, 5)."""
        word = (self._read("proc/uptime") or "").partition(" ")[0]
        try:
            return float(word)
        except ValueError:
            return None

    def temperature_c(self) -> float | None:
        """Its hottest sensor (sysfs-class-thermal: 1/1000 degree); None where none tells a likely value."""
        words = [self._read(str(p)) for p in sorted(self._root.glob("sys/class/thermal/thermal_zone*/temp"))]
        told = [int(w) / 1000 for w in words if w is not None and w.strip().lstrip("-").isdigit()]
        return max((t for t in told if 0 < t < _HOTTEST_C), default=None)
