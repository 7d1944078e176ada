"""From nothing in a home of IPv6 alone, whose router is known by its link-local address, as most are."""

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from support.need import need_program, need_root

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]

# RFC 4861 section 4.2: a router's advertisement, and so the default route, names its link-local address.
LAYOUT = """\
link add v0 netns {desk} type veth peer name v0 netns {router}
link add v0 netns {edge} type veth peer name v1 netns {router}
link add v0 netns {far} type veth peer name v1 netns {edge}
-n {desk} link set dev lo up
-n {desk} link set dev v0 up
-n {router} link set dev v0 up
-n {router} link set dev v1 up
-n {edge} link set dev v0 up
-n {edge} link set dev v1 up
-n {far} link set dev v0 up
-n {router} addr add fe80::1/64 dev v0 nodad
-n {router} addr add 2001:db8:0:1::1/64 dev v0 nodad
-n {router} addr add 2001:db8:f000:2::1/64 dev v1 nodad
-n {desk} addr add 2001:db8:0:1::20/64 dev v0 nodad
-n {edge} addr add 2001:db8:f000:2::2/64 dev v0 nodad
-n {edge} addr add 2001:db8:f000:3::1/64 dev v1 nodad
-n {far} addr add 2001:db8:f000:3::7/64 dev v0 nodad
-n {desk} route add default via fe80::1 dev v0
-n {router} route add default via 2001:db8:f000:2::2
-n {edge} route add 2001:db8:0:1::/64 via 2001:db8:f000:2::1
-n {far} route add default via 2001:db8:f000:3::1
"""


@pytest.fixture
def desk() -> Iterator[str]:
    """A namespace behind a router with another one beyond it; all of them are the test's own."""
    need_root()
    need_program("ip")
    spaces = {name: f"w6{name}{os.getpid()}" for name in ("desk", "router", "edge", "far")}
    made = []
    try:
        for space in spaces.values():
            subprocess.run(["ip", "netns", "add", space], check=True, capture_output=True, timeout=20)
            made.append(space)
        forward = ["sysctl", "-qw", "net.ipv6.conf.all.forwarding=1"]
        for name in ("router", "edge"):
            subprocess.run(["ip", "netns", "exec", spaces[name], *forward], check=True, timeout=20)
        for line in LAYOUT.format(**spaces).splitlines():
            subprocess.run(["ip", *line.split()], check=True, capture_output=True, timeout=20)
        yield spaces["desk"]
    finally:
        for space in made:
            subprocess.run(["ip", "netns", "del", space], check=False, capture_output=True, timeout=20)


def test_one_command_leads_to_an_answer_about_router_and_line(desk: str, tmp_path: Path) -> None:
    file = tmp_path / "home.yaml"
    words = ["start", str(file), "--store", str(tmp_path / "s.db"), "--seconds", "30", "--yes", "--json"]
    argv = [sys.executable, "-m", "whichhop", *words, "--target", "2001:db8:f000:3::7", "--line", "Fiber"]
    done = subprocess.run(
        ["ip", "netns", "exec", desk, *argv], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert 'address: "fe80::1"' in file.read_text()
    found = json.loads(done.stdout)
    assert found["not_measured"] == []
    heard = {key.partition(">")[2].partition(":")[0] for key in found["sessions"]}
    assert heard == {"router", "provider-edge", "target"}
