"""Compares two walks through the rooms with what two visits differ by though nothing was changed."""

import math
from collections.abc import Callable, Sequence
from statistics import median

from msgspec import Struct

from whichhop.model.room import RoomResult
from whichhop.stats.looks import student
from whichhop.stats.proportion import wilson

LEAST_LOSS, LEAST_S, LEAST_RATIO = 0.02, 0.005, 0.2
"""What somebody may notice between two walks: as much loss as calls suffer from, a tenth of FAIR_S, a fifth
of a rate. Our own choice."""
VISITS_S, VISITS_SHARE, VISITS_LOG = 0.001, 0.1, 0.17
"""What two visits to one room differ by though nothing was changed, as a standard deviation: 1 ms and a tenth
of the round trip's median; an eighth of a rate at each visit, so a sixth between two (as a logarithm). Radios
wander so within an hour by who else sends (common practice); the visits of a home tell more than this."""
VISITS_KNOWN = 4
"""So many pairs of visits the values above are worth against those of the home: our own choice."""
BURST = 3.0
"""Packets that a radio loses together at ten a second (common practice): three lost ones say as much as
one."""
WHOLE_ALPHA = 0.05
"""The chance that two walks without a change show any difference, over all rooms and figures."""
MAD_SIGMA = 1.4826
"""A normal curve's standard deviation over its median absolute deviation."""


class RoomChange(Struct, frozen=True, kw_only=True):
    """One figure of one room in two walks. low, high: the interval of after less before, in `unit`.

    All intervals of a comparison hold together with 95 %. better: None where the interval holds zero, or the
    difference is less than anybody notices; noticed tells these apart.
    """

    room: str
    figure: str
    unit: str
    before: float
    after: float
    low: float
    high: float
    better: bool | None
    noticed: bool = True

    @property
    def words(self) -> str:
        """The change as a reader sees it."""
        same = "no more than two visits differ by" if self.noticed else "no difference that anybody notices"
        sure = same if self.better is None else "better" if self.better else "worse"
        return (
            f"{self.room}: {self.figure} {_shown(self.before, self.unit)} before, "
            f"{_shown(self.after, self.unit)} now; {sure} "
            f"(by {_shown(self.low, self.unit)} to {_shown(self.high, self.unit)})"
        )


def _shown(value: float, unit: str) -> str:
    return {
        "ratio": f"{value * 100:.1f} %",
        "s": f"{value * 1e3:.1f} ms",
        "bps": f"{value / 1e6:.1f} Mbit/s",
    }[unit]


Pair = tuple[RoomResult, RoomResult]
Differ = Callable[[RoomResult, RoomResult], float | None]


def _trip(before: RoomResult, after: RoomResult) -> float | None:
    """Of the medians, over what two visits usually differ by."""
    if before.p50_s is None or after.p50_s is None:
        return None
    return (after.p50_s - before.p50_s) / _usual_s(before, after)


def _usual_s(before: RoomResult, after: RoomResult) -> float:
    return VISITS_S + VISITS_SHARE * min(before.p50_s or 0.0, after.p50_s or 0.0)


def _rate(way: str) -> Differ:
    def differ(before: RoomResult, after: RoomResult) -> float | None:
        a, b = getattr(before, f"{way}_bps"), getattr(after, f"{way}_bps")
        return math.log(b / a) / VISITS_LOG if a and b else None

    return differ


class _Spread(Struct, frozen=True, kw_only=True):
    """What two visits differ by, in units of what is usual, and how well that is known."""

    scale: float
    freedom: float

    def reach(self, alpha: float) -> float:
        """Half of the interval, in units of what is usual."""
        return self.scale * student(alpha, self.freedom)


def _spread(differ: Differ, pairs: Sequence[Pair], again: Sequence[Pair]) -> _Spread:
    """From visits to a room within one walk, and from how the rooms of two walks scatter about their middle.

    One room that changed is an outlier among the others and moves their median absolute deviation little;
    what all rooms have in common is no scatter. Both are weighed against what is usual.
    """
    repeats = [d for pair in again if (d := differ(*pair)) is not None]
    rooms = [d for pair in pairs if (d := differ(*pair)) is not None]
    total, known = float(VISITS_KNOWN), float(VISITS_KNOWN)
    if repeats:
        total += sum(d * d for d in repeats)
        known += len(repeats)
    if len(rooms) > 2:
        middle = median(rooms)
        scatter = MAD_SIGMA * median(abs(d - middle) for d in rooms)
        total += (len(rooms) - 1) * scatter**2
        known += len(rooms) - 1
    return _Spread(scale=math.sqrt(total / known), freedom=known)


def loss_between(
    before: RoomResult, after: RoomResult, confidence: float = 0.95, burst: float = 1.0
) -> tuple[float, float]:
    """The interval of the difference of two loss ratios (Newcombe 1998, two samples, method 10).

    burst: packets lost together; counts are divided by it.
    """
    p, q = after.lost / after.sent, before.lost / before.sent
    a = wilson(after.lost / burst, after.sent / burst, confidence)
    b = wilson(before.lost / burst, before.sent / burst, confidence)
    low = p - q - math.hypot(p - a.low, b.high - q)
    high = p - q + math.hypot(a.high - p, q - b.low)
    return low, high


def _change(
    place: tuple[str, str, str],
    pair: tuple[float, float],
    between: tuple[float, float],
    *,
    least: float,
    more_is_better: bool,
) -> RoomChange:
    low, high = between
    noticed = abs(pair[1] - pair[0]) >= least
    better = None if low <= 0 <= high or not noticed else (low > 0) == more_is_better
    return RoomChange(
        room=place[0],
        figure=place[1],
        unit=place[2],
        before=pair[0],
        after=pair[1],
        low=low,
        high=high,
        better=better,
        noticed=noticed or low <= 0 <= high,
    )


def _again(visits: Sequence[RoomResult]) -> list[Pair]:
    """Visits to one room in one walk, each with the next: nothing was changed in between."""
    kept: dict[tuple[str, str, str], RoomResult] = {}
    out = []
    for now in sorted(visits, key=lambda r: r.at_ns):
        key = (now.walk, now.room, now.target)
        if key in kept:
            out.append((kept[key], now))
        kept[key] = now
    return out


def changes(
    before: Sequence[RoomResult], after: Sequence[RoomResult], visits: Sequence[RoomResult] = ()
) -> tuple[RoomChange, ...]:
    """Every figure that both walks have, by room, with the interval of its change.

    visits: all that were ever made, from which is learned what visits to a room differ by. All intervals hold
    together: each has its share of the 5 % chance of error.
    """
    old = {r.room: r for r in before}
    pairs = [(old[now.room], now) for now in after if now.room in old]
    again = _again(visits)
    tests: dict[str, Differ] = {"round trip": _trip, "rate down": _rate("down"), "rate up": _rate("up")}
    many = sum(differ(*pair) is not None for differ in tests.values() for pair in pairs)
    many += sum(bool(was.sent and now.sent) for was, now in pairs)
    alpha = WHOLE_ALPHA / max(1, many)
    spreads = {name: _spread(differ, pairs, again) for name, differ in tests.items()}
    out = []
    for was, now in pairs:
        if was.sent and now.sent:
            out.append(
                _change(
                    (now.room, "loss", "ratio"),
                    (was.lost / was.sent, now.lost / now.sent),
                    loss_between(was, now, 1 - alpha, BURST),
                    least=LEAST_LOSS,
                    more_is_better=False,
                )
            )
        if was.p50_s is not None and now.p50_s is not None:
            half = math.hypot(spreads["round trip"].reach(alpha) * _usual_s(was, now), _within_s(was, now))
            moved = now.p50_s - was.p50_s
            out.append(
                _change(
                    (now.room, "round trip", "s"),
                    (was.p50_s, now.p50_s),
                    (moved - half, moved + half),
                    least=LEAST_S,
                    more_is_better=False,
                )
            )
        for way in ("down", "up"):
            a, b = getattr(was, f"{way}_bps"), getattr(now, f"{way}_bps")
            if a and b:
                factor = math.exp(spreads[f"rate {way}"].reach(alpha) * VISITS_LOG)
                out.append(
                    _change(
                        (now.room, f"rate {way}", "bps"),
                        (a, b),
                        (b / factor - a, b * factor - a),
                        least=LEAST_RATIO * a,
                        more_is_better=True,
                    )
                )
    return tuple(out)


def _within_s(before: RoomResult, after: RoomResult) -> float:
    """What the medians' own intervals leave open, as half of an interval: square and add."""
    return math.hypot(
        *(((r.p50_high_s or r.p50_s or 0.0) - (r.p50_low_s or r.p50_s or 0.0)) for r in (before, after))
    )
