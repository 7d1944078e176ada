"""Which transfers a home needs, when each is due, what it may use, and the quiet hours. Pure, without dice.

Times come of a hash of home, pair, day and turn, so every agent and the command line know them alike, no
two pairs meet but by chance, and over some weeks each pair has been measured at every hour of the day.
"""

import hashlib
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, tzinfo

from msgspec import Struct

from whichhop.model import PROVIDER_EDGE, Home, Medium
from whichhop.model.transfer import UPSTREAM, WIRE_SHARE
from whichhop.model.units import NS_PER_S, UtcNs

MINUTES_A_DAY = 1440
SECONDS_EXPECTED = 3.0
"""What a transfer takes until it is steady, at full rate."""
LAN_OCTETS = 400_000_000
"""The most for one direction inside the home: 3 s at a gigabit."""
LEAST_OCTETS = 20_000_000
BUDGET_SHARE = 0.8
"""Of the daily budget, what scheduled transfers may plan with; the rest is for whoever asks."""

LATE_NS = 20 * 60 * NS_PER_S
"""A planned transfer that could not run is tried again for so long, then left out."""
FIRST_RETRY_NS = 60 * NS_PER_S


def local(now_ns: UtcNs, zone: tzinfo | None) -> datetime:
    """The wall clock of the home; None takes this machine's own zone."""
    return datetime.fromtimestamp(now_ns / NS_PER_S, UTC).astimezone(zone)


def day_of(now_ns: UtcNs, zone: tzinfo | None) -> str:
    """The home's date, ISO 8601."""
    return local(now_ns, zone).date().isoformat()


def in_quiet(minute: int, quiet: tuple[int, int] | None) -> bool:
    """Whether a minute of the day (0 to 1439) lies in the quiet hours, which may span midnight."""
    if quiet is None:
        return False
    start, end = quiet
    return start <= minute < end if start <= end else minute >= start or minute < end


def quiet_now(now_ns: UtcNs, quiet: tuple[int, int] | None, zone: tzinfo | None) -> str:
    """Why nothing may run now for the quiet hours' sake, or ""."""
    at = local(now_ns, zone)
    if not in_quiet(at.hour * 60 + at.minute, quiet):
        return ""
    assert quiet is not None  # noqa: S101 - in_quiet is False without
    first, last = (f"{m // 60:02d}:{m % 60:02d}" for m in quiet)
    return f"quiet hours are {first} to {last}, and it is {at:%H:%M} in the home"


class Pair(Struct, frozen=True, kw_only=True):
    """A transfer to be made both ways: from an agent to another node, or to UPSTREAM."""

    agent: str
    other_end: str

    def __str__(self) -> str:
        return f"{self.agent} to {self.other_end}"


class Due(Struct, frozen=True, kw_only=True):
    """One planned transfer. octets: the most it may use, both ways together."""

    at_ns: int
    pair: Pair
    octets: int


def has_upstream(home: Home) -> bool:
    """Whether there is anything past the home that may be transferred to or from."""
    return bool(home.downloads or home.uploads or any(home.nodes[a].clients for a in home.peers))


def pairs(home: Home) -> list[Pair]:
    """Each agent with the next agent on its way out, and one agent with what lies upstream.

    Upstream is measured from the agent with the fewest radio links, then the fewest links, before the
    provider, so that the home's own hops do not hide the line.
    """
    out = []
    agents = {a.name for a in home.agents}
    for agent in home.agents:
        following = next((n for n in home.way_out(agent.name) if n in agents), None)
        if following is None:
            following = _beside(home, agent.name)
        if following is not None:
            out.append(Pair(agent=agent.name, other_end=following))
    if has_upstream(home) and (best := _nearest(home)) is not None:
        out.append(Pair(agent=best, other_end=UPSTREAM))
    return out


def _beside(home: Home, name: str) -> str | None:
    """Without an agent on the way out: the first other one whose way does not lead through this one."""
    others = [a.name for a in home.agents if a.name != name]
    later = [o for o in others if name not in list(home.way_out(o))]
    # Of two agents that could name each other, only the later one does.
    order = [a.name for a in home.agents]
    return next((o for o in later if order.index(o) < order.index(name)), None)


def _nearest(home: Home) -> str | None:
    ways = [(home.path(a.name, PROVIDER_EDGE), a.name) for a in home.agents]
    known = [
        (sum(link.medium is Medium.RADIO for link in path.links), len(path.links), name)
        for path, name in ways
        if path is not None
    ]
    return min(known, key=lambda k: k[:2])[2] if known else None


def limit_octets(home: Home, other_end: str, way: str) -> int:
    """The most that one direction may put on the wire: by the plan where the line is on the way."""
    upstream = other_end == UPSTREAM or other_end in home.peers
    if upstream and home.plan is not None:
        rate = home.plan.up_bps if way == "out" else home.plan.down_bps
        wanted = round(rate / 8 * SECONDS_EXPECTED * 2 * WIRE_SHARE)
    else:
        wanted = LAN_OCTETS
    return max(LEAST_OCTETS, min(wanted, LAN_OCTETS))


def octets_each(home: Home) -> dict[Pair, int]:
    """What each scheduled transfer may use so that the day's plan fits the budget."""
    all_pairs = pairs(home)
    wanted = {p: sum(limit_octets(home, p.other_end, way) for way in ("out", "back")) for p in all_pairs}
    total = sum(wanted.values()) * max(home.limits.transfers_a_day, 1)
    share = min(1.0, BUDGET_SHARE * home.limits.daily_transfer_bytes / total) if total else 0.0
    return {p: int(w * share) for p, w in wanted.items()}


def _minute(home: Home, pair: Pair, day: str, turn: int, turns: int) -> int:
    """The minute of the day of one turn: somewhere in its own share of the hours that are not quiet."""
    open_minutes = [m for m in range(MINUTES_A_DAY) if not in_quiet(m, home.limits.quiet_hours)]
    if not open_minutes:
        return -1
    text = f"{home.name}|{pair.agent}|{pair.other_end}|{day}|{turn}".encode()
    dice = int.from_bytes(hashlib.sha256(text).digest()[:8]) / 2**64
    return open_minutes[int((turn + dice) * len(open_minutes) / turns)]


def planned(home: Home, day: datetime) -> Iterator[Due]:
    """Every scheduled transfer of the local day that `day` lies in, in the order of time."""
    turns = home.limits.transfers_a_day
    octets = octets_each(home)
    midnight = day.replace(hour=0, minute=0, second=0, microsecond=0)
    found = []
    for pair in octets:
        for turn in range(turns):
            minute = _minute(home, pair, midnight.date().isoformat(), turn, turns)
            if minute >= 0:
                at = midnight.replace(hour=minute // 60, minute=minute % 60)
                found.append(Due(at_ns=int(at.timestamp()) * NS_PER_S, pair=pair, octets=octets[pair]))
    yield from sorted(found, key=lambda d: (d.at_ns, str(d.pair)))


def coming(home: Home, now: datetime, zone: tzinfo | None, most: int = 10) -> list[Due]:
    """The next transfers after `now` (aware), today's and tomorrow's, at most `most`."""
    here = now.astimezone(zone)
    now_ns = int(here.timestamp() * NS_PER_S)
    both = [*planned(home, here), *planned(home, here + timedelta(days=1))]
    return [d for d in both if d.at_ns > now_ns][:most]


class Turns:
    """Which planned transfers of one agent are to be tried now: late ones wait longer each time. Pure."""

    def __init__(self, begin_ns: int) -> None:
        self._done_ns = begin_ns
        self._retry_ns: dict[Due, tuple[int, int]] = {}

    def ready(self, due: list[Due], now_ns: int) -> list[Due]:
        """Those whose time has come, that are not done or given up, and whose waiting is over."""
        return [
            d
            for d in due
            if self._done_ns < d.at_ns <= now_ns < d.at_ns + LATE_NS
            and self._retry_ns.get(d, (0, 0))[0] <= now_ns
        ]

    def skipped(self, due: Due, now_ns: int) -> None:
        """Try again after twice the last wait."""
        wait = max(self._retry_ns.get(due, (0, 0))[1] * 2, FIRST_RETRY_NS)
        self._retry_ns[due] = (now_ns + wait, wait)

    def done(self, due: Due) -> None:
        """Nothing planned up to this one is tried any more."""
        self._done_ns = max(self._done_ns, due.at_ns)
        self._retry_ns = {d: r for d, r in self._retry_ns.items() if d.at_ns > self._done_ns}
