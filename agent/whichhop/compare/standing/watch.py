"""From the first packet on: what stood when measuring began, named once sure, followed until it is over."""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.standing.columns import Groups
from whichhop.compare.standing.named import Weighed, blamable, likeliest, named, thirds, weigh, without_two
from whichhop.compare.standing.seen import Period, at_rest
from whichhop.compare.standing.usual import MOST_OF_WIRED, WIRED, Feature, kind_of
from whichhop.compare.suspects.elements import Element
from whichhop.compare.windows.table import WindowTable
from whichhop.model import Home

Floats = NDArray[np.float64]
FREEDOM = 4.0
MOST_A_TICK = 6.0
"""No single tick may say more than this about whether the fault is over."""
MOST_A_SESSION = 2.0
OVER_AT = 20.0
"""Evidence that it is over, in log units: a quiet minute of one session is not enough, three minutes are."""
NOT_YET_AT = -8.0
"""Log units against it from the first tick on: less is chance, as where losses come in bursts."""
LEAST_TICKS = 6
"""A minute: a fault that pauses for less goes on."""
TEMPER = 0.5
"""Packets of a tick are not independent."""
PIECE = 2160
"""Ticks at a time: a month of a large home never lies in memory at once."""


class Expected(Struct, frozen=True, kw_only=True):
    """What a fault's sessions should see with it (`_on`) and without it (`_off`), all shape (sessions,).

    sessions: columns of the table. Level and tail in seconds with their errors by tick; shares of packets
    lost and slow.
    """

    sessions: tuple[int, ...]
    level_on_s: Floats
    level_off_s: Floats
    error_s: Floats
    tail_on_s: Floats
    tail_off_s: Floats
    tail_error_s: Floats
    lost_on: Floats
    lost_off: Floats
    slow_on: Floats
    slow_off: Floats


class Fading(Struct):
    """Whether a fault is over, told stretch by stretch, each with the fault's sessions as columns.

    It is over once later ticks outweigh it, and over it was from where they begin to.
    """

    expected: Expected
    _against: float = 0.0
    _began_ns: int = 0
    _ticks: int = 0

    def over_ns(self, table: WindowTable, speaks: NDArray[np.bool_]) -> int | None:
        """When it was over, UTC nanoseconds; None while it lasts. To be asked again only after None."""
        for start in range(0, table.ticks, PIECE):
            end = min(table.ticks, start + PIECE)
            ratio = _log_ratio(table.span(start, end), speaks[start:end], self.expected)
            for offset, value in enumerate(ratio.tolist()):
                if value == 0.0:
                    continue  # nobody spoke
                if self._against <= 0.0:
                    self._began_ns, self._ticks, self._against = table.at_ns(start + offset), 0, 0.0
                self._against = max(0.0, self._against - value)
                self._ticks += 1
                if self._against >= OVER_AT and self._ticks >= LEAST_TICKS:
                    return self._began_ns
        return None


def held_until(table: WindowTable, speaks: NDArray[np.bool_], expected: Expected) -> int | None:
    """The tick from which the fault is over; None while it lasts."""
    over_ns = Fading(expected).over_ns(table, speaks)
    return None if over_ns is None else (over_ns - table.start_ns) // table.step_ns


def held_from_the_start(table: WindowTable, speaks: NDArray[np.bool_], expected: Expected) -> bool:
    """Whether the first ticks bear the fault out: what began a minute later is a change."""
    third = max(LEAST_TICKS, -(-table.ticks // 3))
    early = _log_ratio(table.span(0, third), speaks[:third], expected)
    return float(np.cumsum(early).min(initial=0.0)) > NOT_YET_AT


def _log_ratio(table: WindowTable, speaks: NDArray[np.bool_], expected: Expected) -> Floats:
    """Per tick the log-ratio for the fault's still being there."""
    columns = list(expected.sessions)
    heard = speaks[:, columns]
    q50 = table.q50_s[:, columns].astype(np.float64)
    # A tick slower than the fault's own level is no more of it: only what lies between the two tells.
    q50 = np.clip(q50, expected.level_off_s, expected.level_on_s)
    ratio = _student(q50, expected.level_on_s, expected.error_s) - _student(
        q50, expected.level_off_s, expected.error_s
    )
    sent = table.sent[:, columns].astype(np.float64)
    lost = table.lost[:, columns].astype(np.float64)
    slow = np.minimum(table.slow[:, columns], sent - lost)
    tail = np.clip(table.tail_s[:, columns].astype(np.float64), expected.tail_off_s, expected.tail_on_s)
    ratio += _student(tail, expected.tail_on_s, expected.tail_error_s) - _student(
        tail, expected.tail_off_s, expected.tail_error_s
    )
    ratio = np.nan_to_num(ratio)
    ratio += TEMPER * _binomial(sent, lost, expected.lost_on, expected.lost_off)
    ratio += TEMPER * _binomial(sent - lost, slow, expected.slow_on, expected.slow_off)
    ratio = np.where(heard, np.clip(ratio, -MOST_A_SESSION, MOST_A_SESSION), 0.0)
    return np.asarray(np.clip(ratio.sum(axis=1), -MOST_A_TICK, MOST_A_TICK))


def _student(value: Floats, location: Floats, error: Floats) -> Floats:
    return np.asarray(-0.5 * (FREEDOM + 1) * np.log1p((value - location) ** 2 / (FREEDOM * error**2)))


def _binomial(of: Floats, count: Floats, on: Floats, off: Floats) -> Floats:
    on, off = np.clip(on, 1e-4, 0.9999), np.clip(off, 1e-4, 0.9999)
    return np.asarray(count * np.log(on / off) + (of - count) * np.log((1 - on) / (1 - off)))


STAGES = (10, 16, 30, 58)
"""After so many usable ticks all is weighed again: within two, three, five and ten minutes. Some are seldom
whole: the first one, and those around a burst of the home's own."""
LEVELS_STAGE = 1
"""From this stage on levels are told; before it only what is plain already."""
LONGEST_HEAD = 360
"""An hour from where the first stage ends: where the home or its agents were busy for most of it, what was
seen by then must do."""
LONGEST_WAIT = 2160
"""Six hours: a home that was never at rest for so long, an evening and more, is one of which its first state
cannot be told any more."""
WITHDRAWN_AT = 0.5
TICK_ERROR_S = 0.0005
TICK_ERROR_SHARE = 0.03
"""A tick's median strays by this, beside its session's own spread."""
TICK_TAIL_SHARE = 0.5
"""The mean excess of ten packets strays by half of itself: an exponential's does by a third."""


class StandingFault(Struct, frozen=True, kw_only=True):
    """A fault that was there before measuring began.

    members, shares: elements of its group, and their parts. features: what it adds. end: the tick from which
    it is over, None while it lasts. named_at: the tick after which it was sure enough to be told. weighed:
    what it was named by. hypothesis: of the weighed odds, the explanation that its figures are taken from.
    """

    members: tuple[int, ...]
    shares: tuple[float, ...]
    features: tuple[Feature, ...]
    probability: float
    group: int
    hypothesis: int
    named_at: int
    end: int | None
    weighed: Weighed


class StandingWatch(Struct):
    """Looks at a table that begins with the first packet, again and again as it grows, or once when whole."""

    home: Home
    elements: Sequence[Element]
    since_ns: int | None = None
    """When the first table began."""
    _stage: int = 0
    _usable: int = 0
    _first_end: int = 0
    _named: dict[tuple[int, ...], StandingFault] = field(default_factory=dict)
    latest: Weighed | None = None
    """What is known of every level, by the longest stretch weighed so far."""

    @property
    def told(self) -> tuple[StandingFault, ...]:
        """What stands or stood by the latest look, in the order in which it was named."""
        return tuple(self._named.values())

    @property
    def settled(self) -> bool:
        """Whether all stages are done, so that only ends are looked for."""
        return self._stage >= len(STAGES)

    @property
    def reach(self) -> int:
        """In so many of the first ticks quiet ones are looked for: longer where there was none in an hour."""
        return self._first_end + LONGEST_HEAD if self._stage > LEVELS_STAGE else LONGEST_WAIT

    @property
    def wait_ticks(self) -> int:
        """How many usable ticks are missing until anything is known; 0 once it is."""
        done = self._stage > LEVELS_STAGE or self.settled
        return 0 if done else max(1, STAGES[LEVELS_STAGE] - self._usable)

    def look(self, period: Period) -> list[StandingFault]:
        """What stands or stood, in the order in which it was named; `use` matters until it is settled."""
        table = period.table
        if self.since_ns is None:
            self.since_ns = table.start_ns
        while not self.settled:
            end = self._head(period)
            if end is None:
                break
            self._weigh(period.until(end))
            if self._stage == LEVELS_STAGE:
                self._first_end = end
            self._stage += 1
        if self._stage <= LEVELS_STAGE and table.ticks >= LONGEST_WAIT:
            self._stage = len(STAGES)
        self._follow(period)
        return list(self.told)

    def moved(self, ticks: int) -> None:
        """The table's first ticks were dropped, and with them what could still be told of the beginning."""
        self._stage = len(STAGES)
        for key, one in self._named.items():
            end = None if one.end is None else one.end - ticks
            self._named[key] = replace(one, named_at=one.named_at - ticks, end=end)

    def _head(self, period: Period) -> int | None:
        """Where the stage's stretch ends; None while too little was measured for it."""
        reach = min(period.table.ticks, self.reach)
        rest = period.speaks[:reach] & at_rest(period.use[:reach])[:, None]
        # As many ticks as the better half of the sessions has.
        usable = np.sort(np.cumsum(rest, axis=0), axis=1)[:, -max(1, (rest.shape[1] + 1) // 2)]
        self._usable = int(usable[-1]) if usable.size else 0
        reached = np.flatnonzero(usable >= STAGES[self._stage])
        if reached.size:
            return int(reached[0]) + 1
        return reach if period.table.ticks >= self.reach and self._stage > LEVELS_STAGE else None

    def _weigh(self, period: Period) -> None:
        self._follow(period)
        if any(one.end is not None for one in self._named.values()):
            # What came after the end is another state; the levels told are those of before.
            return
        weighed = weigh(self.home, self.elements, period)
        if weighed is None:
            return
        if self._stage >= LEVELS_STAGE:
            self.latest = weighed
        groups, rest = weighed.groups, without_two(weighed)
        views = [weighed] if rest is None else [weighed, rest]
        fresh = named(self.home, self.elements, weighed)
        fresh += [] if rest is None else thirds(self.home, self.elements, rest)
        known = {groups.members[g]: g for g in range(len(groups.members))}
        kept: dict[tuple[int, ...], StandingFault] = {}
        for members in dict.fromkeys((*self._named, *(groups.members[g] for g in fresh))):
            g = known.get(members)
            if g is None or not blamable(self.home, self.elements, members):
                continue
            view = max(views, key=lambda v: float(v.odds.probability[g]))
            if view.odds.probability[g] < WITHDRAWN_AT:
                continue
            old = self._named.get(members)
            one = _standing(view, g, old.named_at if old else period.table.ticks)
            expected = expected_of(one)
            # What is over before it could be named was passing, not standing.
            if (
                held_from_the_start(period.table, period.speaks, expected)
                and held_until(period.table, period.speaks, expected) is None
            ):
                kept[members] = one
        self._named = kept

    def _follow(self, period: Period) -> None:
        for key, one in self._named.items():
            if one.end is None:
                end = held_until(period.table, period.speaks, expected_of(one))
                if end is not None:
                    self._named[key] = replace(one, end=end)


def _standing(weighed: Weighed, g: int, named_at: int) -> StandingFault:
    odds, groups = weighed.odds, weighed.groups
    best, features = likeliest(odds, g)
    return StandingFault(
        members=groups.members[g],
        shares=groups.shares[g],
        features=features,
        probability=float(odds.probability[g]),
        group=g,
        hypothesis=best,
        named_at=named_at,
        end=None,
        weighed=weighed,
    )


def size_of(one: StandingFault, feature: Feature) -> float:
    """How much the fault adds: seconds, or -log(1 - share) of loss and late answers; 0 where none."""
    if feature not in one.features:
        return 0.0
    return one.weighed.size_of(one.group, one.hypothesis, feature)


def as_wired_lines_may(home: Home, elements: Sequence[Element], one: StandingFault) -> bool:
    """Whether it is of an access line that is no worse than healthy wired lines of some medium are."""
    kinds = {kind_of(home, elements[j]) for j in one.members}
    return bool(kinds & WIRED) and all(
        one.weighed.whole_of(one.group, one.hypothesis, f) <= MOST_OF_WIRED[f] for f in one.features
    )


def expected_of(one: StandingFault) -> Expected:
    """What the fault's sessions should see with and without it."""
    groups: Groups = one.weighed.groups
    seen = one.weighed.seen
    column = groups.matrix[:, one.group]
    rows = np.flatnonzero(column)
    sessions = tuple(one.weighed.heard[r] for r in rows)
    at = np.array(sessions, dtype=np.intp)
    times = column[rows]
    level = seen.level_s[at]
    lost = seen.lost[at] / np.maximum(seen.sent[at], 1.0)
    slow = seen.late[at] / np.maximum(seen.answered[at], 1.0)
    tail = np.nan_to_num(seen.tail_s[at])
    less = times * size_of(one, Feature.LEVEL)
    # Late answers are counted one by one; the mean excess of the ticks between them would speak against them.
    less_tail = 0.0 if Feature.LATE in one.features else times * size_of(one, Feature.TAIL)
    return Expected(
        sessions=sessions,
        level_on_s=level,
        level_off_s=np.maximum(level - less, 0.1 * level),
        error_s=np.hypot(seen.spread_s[at], TICK_ERROR_S + TICK_ERROR_SHARE * level),
        tail_on_s=tail,
        tail_off_s=np.maximum(tail - less_tail, 0.0),
        tail_error_s=TICK_ERROR_S + TICK_TAIL_SHARE * tail,
        lost_on=lost,
        lost_off=_without(lost, times * size_of(one, Feature.LOSS)),
        slow_on=slow,
        slow_off=_without(slow, times * size_of(one, Feature.LATE)),
    )


def _without(share: Floats, part: Floats) -> Floats:
    """A share of packets without what one cause adds to it."""
    rest = -np.expm1(-np.maximum(-np.log1p(-np.minimum(share, 0.999)) - part, 0.0))
    return np.asarray(np.where(part > 0, np.minimum(rest, share), share))
