"""Devices are told by the names of the home file, and only where it asks for them."""

import asyncio

import pytest

from support.homes import ALDER_TEXT, home_of
from whichhop.daemon.beside.device_watch import DeviceWatch, by_name, names_of
from whichhop.daemon.children import Children
from whichhop.daemon.job_runner import JobRunner, Troubles
from whichhop.errors import ConfigError
from whichhop.model import Home
from whichhop.net.clock import SystemClock
from whichhop.outside import OutsideError

ROUTER = "router: {kind: router, address: 192.0.2.1}"


def home(counters: str) -> Home:
    agent = f"router: {{kind: router, address: 192.0.2.1, agent: true, wan_counters: {counters}}}"
    return home_of(ALDER_TEXT.replace(ROUTER, agent))


class Watch:
    def __init__(self) -> None:
        self.kept: list[tuple[str, float]] = []
        self.said: list[str] = []
        troubles, clock = Troubles(self.said.append, lambda _: None), SystemClock()
        jobs = JobRunner(clock, troubles)
        children = Children(jobs, troubles, clock, self.said.append)
        self.watch = DeviceWatch(lambda name, value: self.kept.append((name, value)), troubles, children)


def test_it_is_off_unless_it_is_written() -> None:
    off, on = home("{interface: wan0}"), home("{interface: wan0, by_device: true}")
    assert (off.nodes["router"].by_device, on.nodes["router"].by_device) == (False, True)

    async def started(made: Home) -> bool:
        one = Watch()
        one.watch.follow(made, made.nodes["router"])
        child = one.watch._kept
        if child is not None:
            child.end_soon()
        return child is not None

    assert asyncio.run(started(off)) is False
    assert asyncio.run(started(on)) is True


def test_devices_have_the_names_of_nodes_and_of_the_key_and_else_their_address() -> None:
    names = names_of(home("{interface: wan0, by_device: true, devices: {nas: 192.0.2.40, tv: 192.0.2.41}}"))
    rates = {"192.0.2.40": (1e5, 4e6), "192.0.2.20": (2e6, 1e5), "192.0.2.99": (3e5, 0.0)}
    found = by_name(rates, names)
    assert found["nas"] == (1e5, 4e6)
    assert found["192.0.2.99"] == (3e5, 0.0)
    assert "192.0.2.20" not in found or "192.0.2.20" not in names


def test_a_failure_is_told_once_with_its_remedy_and_nonsense_is_refused() -> None:
    one = Watch()
    for _ in range(3):
        one.watch._hear(b'{"failed": "the kernel does not count octets by connection; turn it on: sysctl"}')
    assert len(one.said) == 1
    assert "no device is named" in one.said[0]
    one.watch._hear(b'{"devices": {"192.0.2.40": [100000.0, 4000000.0]}}')
    assert one.kept == [("device_down_bps:192.0.2.40", 1e5), ("device_up_bps:192.0.2.40", 4e6)]
    for bad in (
        b'{"devices": {"a": [-1, 0]}}',
        b'{"devices": {"a": [1]}}',
        b"[]",
        b'{"devices": {"a": [1e300, 0]}}',
    ):
        with pytest.raises(OutsideError):
            one.watch._hear(bad)


@pytest.mark.parametrize(
    ("counters", "said"),
    [
        (
            "{snmp: a, interface: wan0, by_device: true}",
            "only an agent on the router itself sees connections",
        ),
        ("{interface: wan0, devices: {nas: 192.0.2.40}}", "devices: of no use without by_device"),
    ],
)
def test_a_mistake_is_told_with_its_remedy(counters: str, said: str) -> None:
    with pytest.raises(ConfigError, match=said):
        home(counters)
