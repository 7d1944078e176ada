"""Which device fills the line, by real connections through a router's namespace that translates addresses."""

import json
import subprocess
import sys
from collections.abc import Iterator
from statistics import mean
from typing import Any

import pytest

from support.namespaces import V4, Path4, four_nodes
from whichhop.net.child import our_module

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]
UPLOAD_BPS = 4e6
SEND = """
import socket, time, sys
with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as s:
    end, due = time.monotonic() + 60, time.monotonic()
    while due < end:
        s.sendto(bytes(972), (sys.argv[1], 9))  # 1,000 octets with the IPv4 and UDP headers
        due += 1000 * 8 / float(sys.argv[2])
        time.sleep(max(0.0, due - time.monotonic()))
"""
NAT = """
table ip n {
  chain c {
    type nat hook postrouting priority srcnat;
    oifname "edge" masquerade
  }
}
"""


@pytest.fixture
def path() -> Iterator[Path4]:
    with four_nodes() as made:
        made.run("router", "nft", "-f", "-", text=NAT)
        yield made


def told(path: Path4, lines: int, *, upload: bool = False) -> list[dict[str, Any]]:
    """What the process beside a router's agent says, some lines of it."""
    argv = path.argv("router", [*our_module("whichhop.probes.device_child", "1", "edge")])
    if upload:
        sending = subprocess.Popen(
            path.argv("host", [sys.executable, "-c", SEND, V4["far"], str(UPLOAD_BPS)])
        )
    # `ip netns exec` becomes the program, so the process that it is to end with is still ours.
    with subprocess.Popen(argv, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stdin is not None
        said = [json.loads(child.stdout.readline()) for _ in range(lines)]
        child.stdin.close()
    if upload:
        sending.kill()
        sending.wait()
    return said


def test_an_upload_behind_address_translation_is_told_by_the_devices_own_address(path: Path4) -> None:
    path.run("router", "sysctl", "-qw", "net.netfilter.nf_conntrack_acct=1")
    said = told(path, 5, upload=True)
    rates = [line["devices"].get(V4["host"], [0.0, 0.0]) for line in said]
    # The sender makes up for what a busy machine held up: the mean of later looks is its rate.
    down, up = (mean(rate[way] for rate in rates[2:]) for way in (0, 1))
    assert UPLOAD_BPS * 0.5 < up < UPLOAD_BPS * 1.5
    assert down < 0.1 * up
    # Nothing of the far end is told.
    assert V4["far"] not in json.dumps(said)


def test_where_the_kernel_does_not_count_it_is_said_how_to_turn_it_on(path: Path4) -> None:
    path.run("router", "sysctl", "-qw", "net.netfilter.nf_conntrack_acct=0")
    (line,) = told(path, 1)
    assert "sysctl -w net.netfilter.nf_conntrack_acct=1" in line["failed"]


def test_a_quiet_home_names_nobody(path: Path4) -> None:
    path.run("router", "sysctl", "-qw", "net.netfilter.nf_conntrack_acct=1")
    assert told(path, 1) == [{"devices": {}}]
