"""Of a modem's reading the worst channel each way that is beyond a published limit, for a fleet's server."""

from collections.abc import Iterable

from msgspec.structs import replace

from whichhop.cabling.judge_levels import judge_channels
from whichhop.cabling.level_readings import from_readings, to_readings
from whichhop.cabling.rules import LevelStanding
from whichhop.model import Reading
from whichhop.model.channel import Channel, Direction


def beyond_limits(readings: Iterable[Reading]) -> list[Reading]:
    """Of each modem's reading the values by which its worst channel each way is judged; none of a good line.

    At most eight values a modem: a fleet's server gets few series, and the rest stays in the home.
    """
    told = list(readings)
    agents = {r.at_ns: r.agent for r in told}
    out: list[Reading] = []
    for levels in from_readings(told):
        outside = [
            f.about for f in judge_channels(levels.channels).findings if f.standing is LevelStanding.OUTSIDE
        ]
        worst = []
        for way in Direction:
            named = {c.name: c for c in levels.direction(way)}
            worst += [_judged_by(named[about]) for about in outside if about in named][:1]
        out += to_readings(
            replace(levels, channels=tuple(worst), dsl=(), receive_dbm=None), agents[levels.at_ns]
        )
    return out


def _judged_by(channel: Channel) -> Channel:
    return Channel(
        direction=channel.direction,
        channel_id=channel.channel_id,
        carrier=channel.carrier,
        modulation=channel.modulation,
        power_dbmv=channel.power_dbmv,
        mer_db=channel.mer_db,
    )
