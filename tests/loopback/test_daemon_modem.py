"""The agent as shipped reads an emulated modem, exports its levels and stores them."""

import json
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from msgspec.structs import replace
from prometheus_client.parser import text_string_to_metric_families

from support.modem_tables import ModemState
from support.need import need_program
from support.ports import free_tcp_port, free_udp_port
from support.snmp_modem import SnmpModem
from whichhop.cabling.level_readings import from_readings
from whichhop.config.keys import create_key
from whichhop.model.cable_run import Run, Splitter
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.store.store import Store

pytestmark = [pytest.mark.slow, pytest.mark.waits]

CLOCK = SystemClock()
RUN = Run(tap_dbmv={100e6: 8.0}, parts=(Splitter(ways=2), Splitter(ways=2)))
HOME = """\
home: Loopback House
nodes:
  modem:  {{kind: modem, levels: {{snmp: 127.0.0.1, port: {snmp}, community: alder, every_s: 30}}}}
  router: {{kind: router, address: 127.0.78.1}}
  desk:   {{kind: host, address: 127.0.78.20, agent: true}}
links:
  - {{join: [desk, router], kind: wired}}
  - {{join: [router, modem], kind: wired}}
ports: {{api: {api}, stamp: {stamp}}}
"""


def powers(api: int) -> dict[str, float]:
    try:
        with urllib.request.urlopen(f"http://127.0.78.20:{api}/metrics", timeout=20) as answer:
            text = answer.read().decode()
    except (urllib.error.URLError, OSError):
        return {}
    return {
        sample.labels["channel"]: sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
        if sample.name == "whichhop_modem_power_dbmv"
    }


def test_a_modem_is_read_exported_stored_and_compared_after_a_change(tmp_path: Path) -> None:
    need_program("snmpd")
    snmp, api = free_udp_port(), free_tcp_port()
    home = tmp_path / "home.yaml"
    home.write_text(HOME.format(snmp=snmp, api=api, stamp=free_udp_port()))
    create_key(tmp_path / "home.key")
    store = tmp_path / "desk.db"
    whichhop = [sys.executable, "-m", "whichhop"]
    (tmp_path / "snmp").mkdir()
    state = ModemState(run=RUN)
    with SnmpModem(state, tmp_path / "snmp", port=snmp) as modem:
        agent = subprocess.Popen([*whichhop, "run", str(home), "--node", "desk", "--store", str(store)])
        try:
            end = CLOCK.mono_ns() + 90e9
            while len(powers(api)) < 12:
                assert CLOCK.mono_ns() < end
                assert agent.poll() is None
                sleep_s(0.3)
            # by hand: 8 dBmV less two splits of 3.5 dB
            assert powers(api)["down-1"] == pytest.approx(1.0)
        finally:
            agent.send_signal(signal.SIGTERM)
            assert agent.wait(20) == 0
        with Store.open(store, read_only=True) as kept:
            (levels,) = from_readings(kept.readings())
        assert len(levels.channels) == 12

        # one splitter taken out: the reading now against the stored one
        modem.show(replace(state, run=replace(RUN, parts=RUN.parts[1:])))
        sleep_s(1.1)
        done = subprocess.run(
            [*whichhop, "levels", str(home), "--store", str(store), "--json"],
            capture_output=True,
            text=True,
            check=False,
        )
    data = json.loads(done.stdout)
    assert data["changes"][0]["power_db"] == pytest.approx(3.5, abs=0.06)
    assert "downstream power rose by 3.5 dB" in data["changes"][0]["words"]
