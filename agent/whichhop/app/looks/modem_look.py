"""One look at a modem whose address somebody allowed: its levels by SNMP, else by its page."""

import asyncio

from msgspec import Struct

from whichhop.cabling.judge_modem import judge_modem
from whichhop.cabling.levels_summary import LevelsSummary, summary
from whichhop.cabling.rules import LevelStanding
from whichhop.config.texts import node_address, page
from whichhop.errors import RemoteError, WhichhopError
from whichhop.model import ModemLevels
from whichhop.model.levels_source import LevelsSource
from whichhop.net.clock import SystemClock
from whichhop.net.listen import authority
from whichhop.printable import printable, shown
from whichhop.probes.levels import read_levels

USUAL = "192.168.100.1"
"""Where a cable modem has its page (common practice)."""
WAIT_S, WHOLE_S = 2.0, 12.0
POOR = (LevelStanding.MARGINAL, LevelStanding.OUTSIDE)


class ModemLook(Struct, frozen=True, kw_only=True):
    """What was read and where; `why` in words for a person where it could not be."""

    source: LevelsSource | None = None
    levels: ModemLevels | None = None
    why: str = ""

    @property
    def summary(self) -> LevelsSummary | None:
        """How the levels stand; None where none were read."""
        return None if self.levels is None else summary(self.levels, judge_modem(self.levels), counted=False)

    @property
    def words(self) -> str:
        """The answer's sentence on the modem."""
        if self.summary is None or self.source is None:
            return f"The modem was not read: {self.why}."
        return f"The modem ({self.source.words}): {self.summary.headline}."

    @property
    def calls_for_action(self) -> bool:
        """Whether the levels alone are a reason to do something."""
        return self.summary is not None and self.summary.standing in POOR


def modem_place(said: str) -> str:
    """An address or a page's URL as it was given with --modem; WhichhopError with what to write."""
    for reads in (node_address, page):
        try:
            return reads(said.strip())
        except ValueError:
            continue
    raise WhichhopError(
        f"--modem {shown(said)}: neither an address nor a page; write one such as {USUAL}"
        " or http://192.0.2.254/status.html"
    )


async def look_at_modem(place: str) -> ModemLook:
    """Read the modem at an address (SNMP and its page at once) or its page alone; within some 12 s."""
    if place.startswith("http"):
        sources = [LevelsSource(page=place)]
    else:
        host = authority(place, 80).removesuffix(":80")
        sources = [LevelsSource(snmp=place), LevelsSource(page=f"http://{host}/")]
    found = await asyncio.gather(*(_read(source) for source in sources))
    read = next((one for one in found if one.levels is not None), None)
    return read or ModemLook(why=found[-1].why)


async def _read(source: LevelsSource) -> ModemLook:
    try:
        levels = await read_levels("router", source, SystemClock(), WAIT_S, WHOLE_S)
    except RemoteError as trouble:
        return ModemLook(why=printable(str(trouble), 300).rstrip("."))
    return ModemLook(source=source, levels=levels)
