"""Which agent reads a modem, how often, and what becomes of a reading that fails."""

import asyncio

from support.channels import down, reading
from support.homes import ALDER_TEXT, home_of
from whichhop.daemon.beside.modem_watch import Modems, reader_of
from whichhop.errors import RemoteError
from whichhop.model import Home, ModemLevels, Reading
from whichhop.model.levels_source import LevelsSource
from whichhop.model.units import NS_PER_S, MonoNs, UtcNs
from whichhop.net.clock import Clock

TEXT = ALDER_TEXT.replace("{kind: modem}", "{kind: modem, levels: {snmp: 192.0.2.254, every_s: 60}}")


class HandClock:
    """A clock moved by hand."""

    now_s = 0.0

    def utc_ns(self) -> UtcNs:
        return UtcNs(round(self.now_s * NS_PER_S))

    def mono_ns(self) -> MonoNs:
        return MonoNs(round(self.now_s * NS_PER_S))

    def boot_ns(self) -> int:
        return self.mono_ns()


class World:
    """One agent's modems with everything around them in memory."""

    def __init__(self, agent: str = "study", home: Home | None = None) -> None:
        self.clock = HandClock()
        self.kept: list[Reading] = []
        self.shown: list[ModemLevels | None] = []
        self.said: list[str] = []
        self.asked: list[float] = []
        self.broken = False
        self.modems = Modems(
            agent=agent,
            clock=self.clock,
            keep=self.kept.extend,
            show=lambda _name, levels: self.shown.append(levels),
            say=self.said.append,
            read=self.read,
        )
        self.modems.follow(home or home_of(TEXT))

    async def read(self, node: str, source: LevelsSource, clock: Clock) -> ModemLevels:
        self.asked.append(self.clock.now_s)
        if self.broken:
            raise RemoteError("SNMP agent 192.0.2.254 port 161 gave no answer")
        return reading([down(1)], self.clock.now_s)

    def turn_at(self, second: float) -> None:
        self.clock.now_s = second
        asyncio.run(self.modems.turn())


def test_the_nearest_agent_reads_the_modem() -> None:
    # attic and study are both two links away, but attic reaches the router by radio
    assert reader_of(home_of(TEXT), "modem") == "study"


def test_other_agents_leave_it_alone() -> None:
    world = World(agent="desk")
    world.turn_at(1)
    assert world.asked == []


def test_a_modem_is_read_in_its_own_rhythm_and_stored() -> None:
    world = World()
    for second in (0, 5, 59, 60, 65, 121):
        world.turn_at(second)
    assert world.asked == [0, 60, 121]
    names = {r.name for r in world.kept if r.at_ns == 0}
    assert "levels/modem/down-1/power_dbmv" in names
    assert {r.agent for r in world.kept} == {"study"}


def test_a_failed_reading_is_told_once_and_its_end_too() -> None:
    world = World()
    world.broken = True
    world.turn_at(0)
    world.turn_at(60)
    world.broken = False
    world.turn_at(120)
    assert len(world.said) == 2
    assert "gave no answer" in world.said[0]
    assert world.said[1] == "modem: its levels are read again"
    assert world.shown[:2] == [None, None]
    assert world.shown[2] is not None
    assert all(r.at_ns == 120 * NS_PER_S for r in world.kept)


def test_a_home_file_read_anew_keeps_the_rhythm_of_what_did_not_change() -> None:
    world = World()
    world.turn_at(0)
    world.modems.follow(home_of(TEXT))
    world.turn_at(30)
    assert world.asked == [0]
    world.modems.follow(home_of(TEXT.replace("192.0.2.254", "192.0.2.253")))
    world.turn_at(31)
    assert world.asked == [0, 31]
    world.modems.follow(home_of(ALDER_TEXT))
    world.turn_at(500)
    assert world.asked == [0, 31]
