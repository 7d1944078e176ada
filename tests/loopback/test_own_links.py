"""What a real kernel tells of real links: veth pairs and a bridge in a namespace of the test's own."""

import json
import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from support.need import need_program, need_root
from whichhop.lab.build import kernel
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.probes.hop_between import port_facts
from whichhop.probes.own_links import OwnLinks, look

pytestmark = pytest.mark.waits
CLOCK = SystemClock()


def ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True, text=True, timeout=20)


@contextmanager
def a_namespace() -> Iterator[None]:
    """This thread in a network of its own for a while; nothing in it leads anywhere."""
    need_root()
    need_program("ip")
    before = os.open("/proc/thread-self/ns/net", os.O_RDONLY)
    try:
        kernel.unshare(kernel.CLONE_NEWNET)
        yield
    finally:
        kernel.set_namespace(before)
        os.close(before)


def seen() -> OwnLinks:
    return look(CLOCK.utc_ns(), CLOCK.mono_ns(), [])


def test_a_cable_that_is_pulled_and_put_back_is_counted_as_often_as_it_was() -> None:
    with a_namespace():
        ip("link", "add", "dev", "v0", "type", "veth", "peer", "name", "v1")
        ip("link", "set", "dev", "v0", "up")
        ip("link", "set", "dev", "v1", "up")
        before = seen()
        for _ in range(3):
            ip("link", "set", "dev", "v1", "down")
            ip("link", "set", "dev", "v1", "up")
        facts = port_facts(before, seen(), "v0")
        assert facts["port_carrier_changes"] == 6
        # drivers/net/veth.c: 10 Gbit/s, full duplex, whatever the machine.
        assert (facts["port_speed_bps"], facts["port_full_duplex"]) == (10e9, 1.0)
        assert facts["port_errors"] == 0
        # A pair of the kernel's own negotiates nothing, so what its other end can do is not known.
        assert facts["port_partner_able_bps"] is None
        ip("link", "set", "dev", "v1", "down")
        assert seen().ports["v0"].link is False


def test_the_kernels_own_files_say_the_same() -> None:
    with a_namespace():
        ip("link", "add", "dev", "v0", "type", "veth", "peer", "name", "v1")
        ip("addr", "add", "192.0.2.1/24", "dev", "v0")
        for name in ("v0", "v1"):
            ip("link", "set", "dev", name, "up")
        found = seen().interfaces["v0"]
        table = subprocess.run(
            ["ip", "-s", "-s", "-json", "link", "show", "dev", "v0"],
            check=True,
            capture_output=True,
            timeout=20,
        ).stdout
    told = json.loads(table)[0]["stats64"]
    assert found.received_frames is not None
    assert told["rx"]["packets"] - found.received_frames in range(30)
    assert told["tx"]["bytes"] >= (found.sent_octets or 0)


def test_an_interface_made_again_has_no_counts_from_the_one_before() -> None:
    with a_namespace():
        for _ in range(2):
            ip("link", "add", "dev", "v0", "type", "veth", "peer", "name", "v1")
            ip("link", "set", "dev", "v0", "up")
            ip("link", "set", "dev", "v1", "up")
            before = seen()
            ip("link", "del", "dev", "v0")
        gone = seen()
        ip("link", "add", "dev", "v0", "type", "veth", "peer", "name", "v1")
        assert port_facts(before, gone, "v0") == {}
        assert "port_carrier_changes" not in port_facts(before, seen(), "v0")


def test_a_bridge_tells_its_port_once_it_has_heard_a_neighbour() -> None:
    with a_namespace():
        ip("link", "add", "dev", "br0", "type", "bridge")
        ip("link", "add", "dev", "v0", "type", "veth", "peer", "name", "v1")
        ip("link", "set", "dev", "v1", "master", "br0")
        ip("link", "set", "dev", "v0", "address", "02:00:00:00:00:14")
        # Its IPv6 start (RFC 4862: a solicitation of its own address) is heard by the bridge.
        for name in ("br0", "v1", "v0"):
            ip("link", "set", "dev", name, "up")
        for _ in range(100):
            behind = seen().behind
            if "02:00:00:00:00:14" in behind:
                break
            sleep_s(0.05)
        assert behind["02:00:00:00:00:14"] == "v1"
        assert seen().interfaces["v1"].master == seen().interfaces["br0"].index


def test_a_machine_without_radios_is_asked_for_none_and_a_strange_name_is_no_error() -> None:
    found = look(1, 1, ["wlan0"])
    assert found.radios == {}
    assert "lo" in found.interfaces
