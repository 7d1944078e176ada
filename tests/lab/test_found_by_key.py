"""Agents without a written address find each other by their keys over real multicast, and after a move again.

Two network namespaces joined by a wire, an agent in each, DNS-SD (RFC 6763) between them; the test changes an
address as a DHCP server would, and plays a stranger who announces an agent's key. Nothing leaves them.
"""

import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec import Struct, field

from support.namespaces import within
from support.veth import Pair, veth_pair
from whichhop.config.keys import create_key
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.net.http_client import fetch
from whichhop.net.listen import authority

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]

HOME = """\
home: Alder House
nodes:
  router: {kind: router}
  desk: {kind: host, agent: true}
  attic: {kind: host, agent: true}
links:
  - {join: [desk, router], kind: wired}
  - {join: [attic, router], kind: wired}
"""
NEW, STRANGER = "192.0.2.77", "192.0.2.99"
CLOCK = SystemClock()
STRANGE = """
import asyncio, sys
from pathlib import Path
from whichhop.config.identity import identity_at
from whichhop.net.service_discovery import ServiceDiscovery
from whichhop.net.tls import server_context

async def main(address, key, folder):
    own = identity_at(Path(folder) / "stranger.identity", "attic")
    context = server_context(own.certificate, own.secret)
    server = await asyncio.start_server(lambda r, w: w.close(), address, 8622, ssl=context)
    discovery = ServiceDiscovery(key, 8622, lambda announced: None, lambda other: False)
    await discovery.start([address])
    print("announced", flush=True)
    await asyncio.sleep(600)

asyncio.run(main(*sys.argv[1:]))
"""


class TwoAgents(Struct):
    pair: Pair
    folder: Path
    running: dict[str, "subprocess.Popen[bytes]"] = field(default_factory=dict)

    def space(self, node: str) -> str:
        return self.pair.near if node == "desk" else self.pair.far

    def start(self, node: str) -> None:
        own = self.folder / node
        words = ["run", str(own / "home.yaml"), "--node", node, "--store", str(own / "records.db")]
        with (own / "log").open("ab") as log:
            argv = self.pair.inside(self.space(node), sys.executable, "-m", "whichhop", *words)
            self.running[node] = subprocess.Popen(argv, stderr=log)

    def log(self, node: str) -> str:
        return (self.folder / node / "log").read_text()

    def wait_for(self, node: str, words: str, seconds: float = 60) -> None:
        end = CLOCK.mono_ns() + seconds * 1e9
        while words not in self.log(node):
            assert CLOCK.mono_ns() < end, (words, self.log("desk"), self.log("attic"))
            sleep_s(0.2)

    def answered(self, node: str, at: str, target: str) -> float:
        url = f"http://{authority(at, 8620)}/metrics"
        text = within(Path("/run/netns", self.space(node)), lambda: fetch(url)).decode()
        for line in text.splitlines():
            if line.startswith("whichhop_round_trip_seconds_count") and f'target="{target}"' in line:
                return float(line.rsplit(" ", 1)[1])
        return 0

    def measures(self, node: str, at: str, target: str, more_than: float = 0, seconds: float = 60) -> float:
        end = CLOCK.mono_ns() + seconds * 1e9
        while (count := self.answered(node, at, target)) <= more_than + 2:
            assert CLOCK.mono_ns() < end, (count, self.log("desk"), self.log("attic"))
            sleep_s(0.5)
        return count

    def address(self, node: str, *words: str) -> None:
        argv = ["ip", "-n", self.space(node), "addr", *words, "dev", "v0"]
        subprocess.run(argv, check=True, capture_output=True, timeout=20)


@pytest.fixture
def agents(tmp_path: Path) -> Iterator[TwoAgents]:
    with veth_pair() as pair:
        create_key(tmp_path / "home.key")
        for node in ("desk", "attic"):
            (tmp_path / node).mkdir()
            (tmp_path / node / "home.yaml").write_text(HOME)
            shutil.copy(tmp_path / "home.key", tmp_path / node / "home.key")
        made = TwoAgents(pair, tmp_path)
        try:
            yield made
        finally:
            for process in made.running.values():
                process.terminate()
                process.wait(30)


def test_found_by_key_found_again_after_a_move_and_no_stranger_believed(agents: TwoAgents) -> None:
    pair = agents.pair
    agents.start("desk")
    agents.start("attic")
    # Set up by hand, neither was met: each proves to hold the home's key, once.
    agents.wait_for("desk", f"attic was met at {pair.far_v4}")
    agents.wait_for("attic", f"desk was met at {pair.near_v4}")
    agents.measures("desk", pair.near_v4, "attic")
    before = agents.measures("attic", pair.far_v4, "desk")
    assert before > 0

    # The address changes as by DHCP; within a minute both measure each other again.
    began = CLOCK.mono_ns()
    agents.address("attic", "del", f"{pair.far_v4}/24")
    agents.address("attic", "add", f"{NEW}/24")
    agents.wait_for("attic", f"this machine's address is {NEW} now; it was {pair.far_v4}")
    agents.wait_for("desk", f"attic is at {NEW} now")
    assert CLOCK.mono_ns() - began < 60e9
    count = agents.answered("desk", pair.near_v4, "attic")
    agents.measures("desk", pair.near_v4, "attic", count)
    agents.measures("attic", NEW, "desk")
    assert "was met at" not in agents.log("desk").split(f"attic was met at {pair.far_v4}", 1)[1]

    # Somebody announces the attic's key from an address of his own, with a key of his own in TLS.
    key = agents.log("desk").split("it is known by its key ", 1)[1].split(" ", 1)[0]
    agents.address("attic", "add", f"{STRANGER}/24")
    argv = pair.inside(pair.far, sys.executable, "-c", STRANGE, STRANGER, key, str(agents.folder))
    with subprocess.Popen(argv, stdout=subprocess.PIPE, text=True) as stranger:
        try:
            assert stranger.stdout is not None
            assert stranger.stdout.readline() == "announced\n"
            told = f"{STRANGER} announces the key of attic and does not hold it; passed over"
            agents.wait_for("desk", told)
            sleep_s(20)  # it is tried again in between, and told once
            assert agents.log("desk").count(told) == 1
            count = agents.answered("desk", pair.near_v4, "attic")
            agents.measures("desk", pair.near_v4, "attic", count)
        finally:
            stranger.kill()

    # Begun anew, the desk knows where the attic was last, before anybody announces anything.
    found = json.loads((agents.folder / "desk" / "home.addresses").read_text())
    assert found["attic"] == NEW


def test_they_are_found_where_the_home_has_ipv6_alone(agents: TwoAgents) -> None:
    pair = agents.pair
    agents.address("desk", "del", f"{pair.near_v4}/24")
    agents.address("attic", "del", f"{pair.far_v4}/24")
    agents.start("desk")
    agents.start("attic")
    agents.wait_for("desk", f"attic was met at {pair.far_v6}")
    agents.wait_for("attic", f"desk was met at {pair.near_v6}")
    agents.measures("desk", pair.near_v6, "attic")
    agents.measures("attic", pair.far_v6, "desk")
