"""Has the home's modems read now and then, by the agent nearest to each, and hands the levels on."""

from collections.abc import Awaitable, Callable

from msgspec import Struct

from whichhop.cabling.level_readings import to_readings
from whichhop.errors import WhichhopError
from whichhop.model import Home, Medium, ModemLevels, Reading
from whichhop.model.levels_source import LevelsSource
from whichhop.model.units import NS_PER_S
from whichhop.net.clock import Clock
from whichhop.probes.levels import read_levels

Read = Callable[[str, LevelsSource, Clock], Awaitable[ModemLevels]]


def reader_of(home: Home, modem: str) -> str | None:
    """The agent that asks a modem, so that not all of them do; None without one.

    The one with the fewest radio links to it, then the fewest links, then the first as written: a reading
    should not fail for a trouble inside the home.
    """
    ways = [(agent.name, home.path(agent.name, modem)) for agent in home.agents]
    near = [
        (sum(link.medium is Medium.RADIO for link in path.links), len(path.links), name)
        for name, path in ways
        if path is not None
    ]
    return min(near, key=lambda way: way[:2])[2] if near else None


class _Modem(Struct):
    source: LevelsSource
    due_ns: int
    trouble: str = ""


class Modems:
    """The modems that one agent reads.

    keep: takes the readings to be stored. show: takes each reading for the metrics, None where it failed.
    count: called at each failure. A reading that fails is told once, until one succeeds; it is a gap, never
    a lost packet.
    """

    def __init__(
        self,
        *,
        agent: str,
        clock: Clock,
        keep: Callable[[list[Reading]], None],
        show: Callable[[str, ModemLevels | None], None],
        say: Callable[[str], None],
        count: Callable[[], None] = lambda: None,
        read: Read = read_levels,
    ) -> None:
        self._agent = agent
        self._clock = clock
        self._keep = keep
        self._show = show
        self._say = say
        self._count = count
        self._read = read
        self._modems: dict[str, _Modem] = {}

    def follow(self, home: Home) -> None:
        """Take a home file over; modems whose source is the same keep their rhythm."""
        now = self._clock.mono_ns()
        old = self._modems
        self._modems = {}
        for name, source in home.levels.items():
            if reader_of(home, name) == self._agent:
                kept = old.get(name)
                same = kept is not None and kept.source == source
                self._modems[name] = kept if same and kept is not None else _Modem(source=source, due_ns=now)

    async def turn(self) -> None:
        """Read every modem that is due, one after the other."""
        for name, modem in list(self._modems.items()):
            now = self._clock.mono_ns()
            if now < modem.due_ns:
                continue
            modem.due_ns = now + modem.source.every_s * NS_PER_S
            try:
                levels = await self._read(name, modem.source, self._clock)
            except WhichhopError as trouble:
                self._count()
                if not modem.trouble:
                    self._say(f"{name}: {trouble}; its levels have a gap until it answers")
                modem.trouble = str(trouble)
                self._show(name, None)
                continue
            if modem.trouble:
                self._say(f"{name}: its levels are read again")
                modem.trouble = ""
            self._show(name, levels)
            self._keep(list(to_readings(levels, self._agent)))
