"""A real SNMP agent on loopback answers as a cable modem."""

import asyncio
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from msgspec.structs import replace

from support.modem_tables import FIRST_INDEX, ModemState
from support.need import need_program
from support.ports import free_udp_port
from support.snmp_modem import SnmpModem
from whichhop.cabling.level_change import level_changes
from whichhop.errors import RemoteError
from whichhop.model import Direction, ModemLevels
from whichhop.model.cable_run import Cable, CableKind, Run, Splitter
from whichhop.model.levels_source import LevelsSource
from whichhop.net.clock import SystemClock, sleep_s
from whichhop.probes.levels import read_levels

pytestmark = pytest.mark.waits

RUN = Run(
    tap_dbmv={100e6: 12.0},
    parts=(Cable(kind=CableKind.RG_6, length_m=25.0), Splitter(ways=2), Splitter(ways=2)),
)
STATE = ModemState(run=RUN, codewords=(1_000_000, 30, 4), t3_timeouts=2)


class Modem:
    def __init__(self, agent: SnmpModem, port: int) -> None:
        self.agent, self.port = agent, port

    def read(self, community: str = "alder", wait_s: float = 5.0) -> ModemLevels:
        source = LevelsSource(snmp="127.0.0.1", port=self.port, community=community)
        return asyncio.run(read_levels("modem", source, SystemClock(), wait_s=wait_s))


@pytest.fixture(scope="module")
def modem(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Modem]:
    need_program("snmpd")
    port = free_udp_port()
    with SnmpModem(STATE, tmp_path_factory.mktemp("snmp"), port=port) as agent:
        found = Modem(agent, port)
        for _ in range(20):  # the agent takes a moment to open its port
            try:
                found.read(wait_s=0.5)
                break
            except RemoteError:
                sleep_s(0.2)
        yield found


@pytest.mark.slow
def test_all_channels_are_read_with_their_units(modem: Modem) -> None:
    modem.agent.show(STATE)
    levels = modem.read()
    assert len(levels.direction(Direction.DOWN)) == 8
    assert len(levels.direction(Direction.UP)) == 4
    first = levels.direction(Direction.DOWN)[0]
    assert (first.frequency_hz, first.modulation, first.locked) == (501_000_000, 256, True)
    assert (first.unerrored, first.corrected, first.uncorrectable) == (1_000_000, 30, 4)
    assert levels.direction(Direction.UP)[0].t3_timeouts == 2


@pytest.mark.slow
def test_an_independent_reader_sees_the_same_power(modem: Modem) -> None:
    modem.agent.show(STATE)
    program = need_program("snmpget")
    # RFC 4546: docsIfDownChannelPower in TenthdBmV
    oid = f"1.3.6.1.2.1.10.127.1.1.1.1.6.{FIRST_INDEX}"
    said = subprocess.run(
        [program, "-v2c", "-c", "alder", "-Oqv", f"127.0.0.1:{modem.port}", oid],
        capture_output=True,
        text=True,
        check=True,
    )
    assert modem.read().channels[0].power_dbmv == int(said.stdout) / 10


@pytest.mark.slow
def test_a_splitter_taken_out_shows_3_5_db_and_the_comparison_says_so(modem: Modem) -> None:
    modem.agent.show(STATE)
    before = modem.read()
    modem.agent.show(replace(STATE, run=replace(RUN, parts=RUN.parts[:-1])))
    after = modem.read()
    modem.agent.show(STATE)
    down, up = level_changes([before], [after])
    assert down.power_db == pytest.approx(3.5, abs=0.06)
    assert "downstream power rose by 3.5 dB" in down.words
    assert up.power_db == pytest.approx(-3.5, abs=0.06)


@pytest.mark.slow
def test_a_wrong_community_is_one_clear_line(modem: Modem) -> None:
    with pytest.raises(RemoteError) as caught:
        modem.read(community="wrong", wait_s=0.3)
    line = str(caught.value)
    assert line.startswith(f"SNMP agent 127.0.0.1 port {modem.port} gave no answer to 2 requests of 0.3 s")
    assert "community" in line
    assert "\n" not in line


@pytest.mark.slow
def test_nobody_there_is_one_clear_line() -> None:
    source = LevelsSource(snmp="127.0.0.1", port=free_udp_port())
    with pytest.raises(RemoteError, match=r"gave no answer|refused"):
        asyncio.run(read_levels("modem", source, SystemClock(), wait_s=0.3))


@pytest.mark.slow
def test_an_agent_that_is_no_modem_is_told(tmp_path: Path) -> None:
    need_program("snmpd")
    port = free_udp_port()
    empty = replace(STATE, down_hz=(), up_hz=())
    source = LevelsSource(snmp="127.0.0.1", port=port, community="alder")
    with SnmpModem(empty, tmp_path, port=port):
        for _ in range(20):
            with pytest.raises(RemoteError) as caught:
                asyncio.run(read_levels("modem", source, SystemClock(), wait_s=0.5))
            if "gave no answer" not in str(caught.value):
                break
        assert "no cable modem's tables" in str(caught.value)


@pytest.mark.slow
def test_a_dsl_modem_tells_margin_attenuation_and_rates(modem: Modem) -> None:
    # RFC 5650's tables by number: margin and attenuation by band in tenths of dB, rates in bit/s
    line = (1, 3, 6, 1, 2, 1, 10, 251, 1)
    modem.agent.show_table(
        {
            (*line, 1, 1, 1, 20, 7): ("gauge", 80_000_000),
            (*line, 1, 2, 1, 2, 7, 2): ("gauge", 215),
            (*line, 1, 2, 1, 4, 7, 1): ("integer", 65),
            (*line, 1, 2, 1, 4, 7, 2): ("integer", -12),
            (*line, 2, 2, 1, 2, 7, 1): ("gauge", 51_400_000),
            (*line, 2, 2, 1, 2, 7, 2): ("gauge", 10_200_000),
        }
    )
    levels = modem.read()
    modem.agent.show(STATE)
    assert levels.channels == ()
    down, up = levels.dsl
    assert (down.margin_db, down.attenuation_db) == (-1.2, 21.5)
    assert (down.rate_bps, down.attainable_bps) == (51.4e6, 80e6)
    assert (up.margin_db, up.rate_bps) == (6.5, 10.2e6)
