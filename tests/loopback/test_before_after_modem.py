"""A splitter taken out in the emulated modem, read as the agent does, and what `before-after` says."""

import asyncio
import json
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from msgspec.structs import replace

from support.modem_tables import ModemState
from support.need import need_program
from support.ports import free_udp_port
from support.snmp_modem import SnmpModem
from whichhop.cli import main
from whichhop.config.check import read_house
from whichhop.daemon.beside.modem_watch import Modems
from whichhop.errors import RemoteError
from whichhop.model import ModemLevels
from whichhop.model.levels_source import LevelsSource
from whichhop.net.clock import Clock, SystemClock, sleep_s
from whichhop.probes.device_talk import LevelsRequest
from whichhop.probes.levels_child import answer
from whichhop.store.store import Store

pytestmark = [pytest.mark.slow, pytest.mark.waits]

HOUR_NS = 3600 * 10**9
HOURS, EVERY = 6 * 24, 6
HOME = """\
home: Alder House
nodes:
  modem:  {{kind: modem, levels: {{snmp: 127.0.0.1, port: {port}, community: alder}}}}
  router: {{kind: router, address: 127.0.79.1}}
  desk:   {{kind: host, address: 127.0.79.20, agent: true}}
links:
  - {{join: [desk, router], kind: wired}}
  - {{join: [router, modem], kind: wired}}
  - {{join: [modem, provider-edge], kind: access, medium: cable}}
cabling:
  - {{tap: [{{mhz: 100, dbmv: 5}}]}}
  - {{cable: rg-6, length_m: 10}}
  - {{splitter: 2, serves: [television]}}
"""


class HourClock(SystemClock):
    """A clock that a test sets to the hour that it wants."""

    def __init__(self) -> None:
        super().__init__()
        self.at_ns = 0

    def utc_ns(self) -> int:
        return self.at_ns

    def mono_ns(self) -> int:
        return self.at_ns


async def read(node: str, source: LevelsSource, clock: Clock) -> ModemLevels:
    """The reading child's own work, without starting a process for each hour."""
    said = await asyncio.to_thread(answer, LevelsRequest(source=source, timeout_s=2.0))
    return ModemLevels(node=node, at_ns=clock.utc_ns(), channels=said.channels)


class Scene:
    """A home whose modem is read hour after hour into a store, by a real SNMP agent."""

    def __init__(self, folder: Path, modem: SnmpModem, state: ModemState, home: Path) -> None:
        self.modem, self.state, self.home = modem, state, home
        self.store = folder / "kept.db"
        now = SystemClock().utc_ns() // HOUR_NS
        self.change = now - HOURS - 1  # this hour is left out, so HOURS whole ones follow

    def at(self, hour: int) -> int:
        return hour * HOUR_NS + HOUR_NS // 3

    def measure(self, after: ModemState) -> None:
        clock = HourClock()
        with Store.make(self.store) as store:
            modems = Modems(
                agent="desk",
                clock=clock,
                keep=lambda readings: store.append_all((), readings) and None,
                show=lambda _node, _levels: None,
                say=pytest.fail,
                read=read,
            )
            modems.follow(read_house(self.home).home)
            for step in (*range(-HOURS, 0, EVERY), *range(EVERY, HOURS + 1, EVERY)):
                state = self.state if step < 0 else after
                counted = (step + HOURS) * 1_000_000
                self.modem.show(replace(state, codewords=(counted, 0, 0)))
                clock.at_ns = self.at(self.change + step)
                asyncio.run(modems.turn())

    def ask(self, capsys: pytest.CaptureFixture[str], *words: str) -> str:
        capsys.readouterr()
        where = ["--store", str(self.store)]
        assert main([words[0], str(self.home), *words[1:], *where]) == 0
        return capsys.readouterr().out

    @property
    def time(self) -> str:
        return datetime.fromtimestamp(self.at(self.change) // 10**9, UTC).isoformat()


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    need_program("snmpd")
    port = free_udp_port()
    home = tmp_path / "alder.yaml"
    home.write_text(HOME.format(port=port))
    run = read_house(home).run
    assert run is not None
    state = ModemState(run=run, down_hz=(501_000_000, 507_000_000, 513_000_000), up_hz=(30_600_000,))
    (tmp_path / "snmp").mkdir()
    with SnmpModem(state, tmp_path / "snmp", port=port) as modem:
        request = LevelsRequest(source=read_house(home).home.levels["modem"], timeout_s=0.5)
        for _ in range(20):  # the agent takes a moment to open its port
            try:
                answer(request)
                break
            except RemoteError:
                sleep_s(0.2)
        yield Scene(tmp_path, modem, state, home)


def test_a_splitter_taken_out_shows_3_5_db_as_the_cable_run_said(
    scene: Scene, capsys: pytest.CaptureFixture[str]
) -> None:
    noted = scene.ask(
        capsys,
        "note",
        "took out the splitter behind the television",
        "--change",
        "remove 2",
        "--at",
        scene.time,
    )
    assert "expected +3.5 dB down at 400 MHz, -3.5 dB to send at 30 MHz" in noted
    run = scene.state.run
    scene.measure(replace(scene.state, run=replace(run, parts=run.parts[:1])))

    text = scene.ask(capsys, "before-after", "--offline")
    # 3.5 dB a leg of a two-way splitter: common practice
    assert "modem down sc-qam: expected +3.5 dB, measured +3.5 dB (" in text
    assert "modem up atdma: expected -3.5 dB, measured -3.5 dB (" in text
    assert text.count(": as worked out.") == 2
    assert "take out part 2 (2-way splitter)" in text.splitlines()[0]
    assert "Helped: modem down sc-qam, modem up atdma." in text
    assert text.startswith("Alder House: note 1, ")

    data = json.loads(scene.ask(capsys, "before-after", "--offline", "--json"))
    down, up = data["modem"]
    power = down["effects"][0]
    assert (power["measure"], power["answer"]) == ("power_dbmv", "helped")
    assert power["hours"] >= HOURS // EVERY - 1
    assert min(power["days_before"], power["days_after"]) >= 6
    assert power["change"] == pytest.approx(3.5, abs=0.06)
    assert power["low"] <= power["change"] <= power["high"]
    assert up["effects"][0]["measure"] == "transmit_dbmv"
    assert up["effects"][0]["change"] == pytest.approx(-3.5, abs=0.06)
    # the same measurements twice: one look
    assert data["look"] == 1
    # no codeword was lost on either side
    assert down["effects"][2]["answer"] == "no difference shown"
