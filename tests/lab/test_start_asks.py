"""`start` at a terminal: a real UPnP router, a real SNMP agent as modem, a slow line that one transfer fills.

Namespaces of the test's own; nothing leaves them. UPnP is miniupnpd's, SNMP net-snmp's.
"""

import json
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from support.at_terminal import at_terminal
from support.modem_tables import ModemState
from support.namespaces import V4, Path4, four_nodes
from support.need import need_program
from support.snmp_modem import SnmpModem
from whichhop.config.check import read_home
from whichhop.model import Plan
from whichhop.model.cable_run import Run, Splitter
from whichhop.net.clock import sleep_s

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]

MODEM = "192.168.100.1"
URL = f"http://{V4['far']}:8080/large.bin"
HOT = ModemState(run=Run(tap_dbmv={100e6: 22.0}, parts=(Splitter(ways=2),)))
"""A level at the modem that is far above what the trade aims for."""
UPNP = """\
ext_ifname=edge
listening_ip=host
enable_upnp=yes
enable_natpmp=no
secure_mode=yes
port=5000
uuid=00000000-0000-0000-0000-000000000001
"""


@pytest.fixture
def path() -> Iterator[Path4]:
    with four_nodes() as path:
        yield path


def test_each_question_is_answered_and_each_answer_is_kept(path: Path4, tmp_path: Path) -> None:
    file = tmp_path / "home.yaml"
    (tmp_path / "upnp.conf").write_text(UPNP)
    (tmp_path / "www").mkdir()
    (tmp_path / "snmp").mkdir()
    with (tmp_path / "www" / "large.bin").open("wb") as large:
        large.truncate(400_000_000)
    path.run("edge", "ip", "addr", "add", f"{MODEM}/32", "dev", "lo")
    # One that fills a queue until it loses (RFC 5681).
    path.run("far", "sysctl", "-qw", "net.ipv4.tcp_congestion_control=reno")
    queue = "tbf rate 20mbit burst 16k latency 200ms"
    path.run("edge", "tc", "qdisc", "add", "dev", "router", "root", *queue.split())
    start = ["start", str(file), "--store", str(tmp_path / "s.db"), "--seconds", "30", "--json"]
    argv = [sys.executable, "-m", "whichhop", *start, "--target", V4["far"], "--line", "Docsis"]
    with ExitStack() as running:
        web = [sys.executable, "-m", "http.server", "8080", "--directory", str(tmp_path / "www")]
        upnp = [need_program("miniupnpd"), "-f", str(tmp_path / "upnp.conf"), "-d"]
        upnp += ["-P", str(tmp_path / "upnp.pid")]
        running.enter_context(path.program("far", *web))
        running.enter_context(path.program("router", *upnp))
        within = path.argv("edge", [])
        modem = SnmpModem(HOT, tmp_path / "snmp", address=MODEM, port=161, community="public", inside=within)
        running.enter_context(modem)
        sleep_s(1)
        code, screen = at_terminal(
            path.argv("host", argv),
            [
                ("The plan's rates", "20/5"),
                ("Read the modem", "the modem"),
                ("Read the modem", "y"),
                ("Load the line", URL),
                ("Start?", "y"),
            ],
        )
    assert code == 0, screen
    before, _, after = screen.partition("Start?")
    assert "--modem 'the modem'" in before
    # All that will be asked stands above the question, nothing of it was asked before the answer.
    assert f"the router {V4['router']}" in before
    assert MODEM in before
    assert URL in before
    assert "Own traffic: counted by the router (http://192.0.2.1:5000/rootDesc.xml)" in after
    home = read_home(file)
    assert home.plan == Plan(down_bps=20_000_000, up_bps=5_000_000)
    assert home.counters["router"].description == "http://192.0.2.1:5000/rootDesc.xml"
    assert home.levels["router"].snmp == MODEM
    data = json.loads(screen[screen.index("\n{") :])
    hops = {hop["target"]: hop for hop in data["under_load"]["hops"]}
    assert set(hops) == {"router", "provider-edge", "target"}
    # The queue of 200 ms stands before the line: what is past it waits, the router does not.
    assert hops["router"]["during_s"] < 0.05
    assert hops["provider-edge"]["before_s"] < 0.05 < 0.1 < hops["provider-edge"]["during_s"] < 0.4
    assert 10e6 < data["under_load"]["transfer"]["rate_bps"] < 20.5e6
    # DOCSIS 3.0 physical layer specification: -15 to +15 dBmV at the modem's input.
    assert "Bad: downstream power too high on 8 of 8 channels" in data["modem"]
    assert not any("Own traffic" in words or "Latency" in words for words in data["cannot_tell"])
