"""Which device fills the line, where the home file asks for it, by the connections that the router tracks."""

from collections.abc import Callable, Mapping
from typing import Annotated

import msgspec
from msgspec import Meta

from whichhop.daemon.children import Children, Command, KeptChild
from whichhop.daemon.job_runner import Troubles
from whichhop.model import Home, Node
from whichhop.model.bulletin import DEVICE_DOWN, DEVICE_UP
from whichhop.net.child import our_module
from whichhop.outside import LONGEST_NAME, name, typed

EVERY_S = 10.0
PART = "devices"
WHO = "the process that reads connections"
MOST_DEVICES = 64
"""Several times what that process tells at once."""
MOST_BPS = 1e12
"""Far above any home's line: what a process says beyond is none of its counts."""

Rate = Annotated[float, Meta(ge=0, le=MOST_BPS)]


class _Said(msgspec.Struct, frozen=True, kw_only=True):
    """A line of that process (probes/device_child.py): by address what a device receives and sends, bit/s."""

    failed: str | None = None
    devices: Annotated[dict[str, tuple[Rate, Rate]], Meta(max_length=MOST_DEVICES)] = {}


def names_of(home: Home) -> dict[str, str]:
    """The names by which devices are told: those of the nodes, and those written for this alone."""
    return {**{n.address: n.name for n in home.nodes.values() if n.address}, **home.devices}


def by_name(
    devices: Mapping[str, tuple[float, float]], names: Mapping[str, str]
) -> dict[str, tuple[float, float]]:
    """The same by name, a device's addresses together; the address where nobody has named it."""
    out: dict[str, tuple[float, float]] = {}
    for address, (down, up) in devices.items():
        device = names.get(address, address)
        before = out.get(device, (0.0, 0.0))
        out[device] = (before[0] + down, before[1] + up)
    return out


class DeviceWatch:
    """keep: takes a reading's name and value. Nothing runs where the home file does not ask for it."""

    def __init__(
        self,
        keep: Callable[[str, float], None],
        troubles: Troubles,
        children: Children,
        every_s: float = EVERY_S,
    ) -> None:
        self._keep, self._troubles, self._children, self._every_s = keep, troubles, children, every_s
        self._names: dict[str, str] = {}
        self._interface: str | None = None
        self._kept: KeptChild | None = None

    def follow(self, home: Home, node: Node) -> None:
        """Watch at this node's interface from now on, or no longer."""
        interface = node.wan_interface if node.by_device else None
        # The router's own addresses towards the line are its own traffic's.
        self._names = names_of(home)
        if interface == self._interface:
            return
        self._interface = interface
        if self._kept is not None:
            self._kept.end_soon()
            self._kept = None
        if interface is not None:
            self._kept = self._children.keep(PART, self._command, self._hear)

    def _command(self) -> Command:
        return Command(
            argv=our_module("whichhop.probes.device_child", str(self._every_s), self._interface or "")
        )

    def _hear(self, line: bytes) -> None:
        said = typed(line, WHO, _Said)
        if said.failed is not None:
            self._troubles.wrong(PART, f"{said.failed}; until then no device is named")
            return
        self._troubles.well(PART, "the devices' traffic is read again")
        for address in said.devices:
            name(address, WHO, most=LONGEST_NAME // 2)
        for device, (down, up) in by_name(said.devices, self._names).items():
            self._keep(f"{DEVICE_DOWN}:{device}", down)
            self._keep(f"{DEVICE_UP}:{device}", up)
