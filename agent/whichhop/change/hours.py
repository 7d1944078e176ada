"""A session's history by the hour, and the same hours of day on both sides of a change."""

from array import array
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, datetime, tzinfo
from functools import lru_cache
from itertools import pairwise

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.model import Columns, Fate, Method, SessionKey
from whichhop.model.units import NS_PER_S
from whichhop.stats.call import judge_call
from whichhop.stats.level_step import AFTER, BEFORE, PAST, Ints, Places

HOUR_NS = 3600 * NS_PER_S
LEAST_SHARE = 0.5
"""An hour counts when at least half of what the session usually sends was sent; our own choice."""
STRETCH_GAP_NS = 5 * NS_PER_S
"""A pause this long ends one stretch of a call stream: packets are 20 ms apart, stretches minutes."""
LEAST_CALL = 50
"""Packets in a stretch worth rating: one second of speech."""

Int64 = NDArray[np.int64]

PART_HOURS = 6
"""Night, morning, afternoon, evening: a household's use of its network differs between these (common
practice); shorter parts would leave too few hours in each to bear a spoilt one."""
PARTS = ("night", "morning", "afternoon", "evening")
WEEKDAYS, WEEKENDS = "weekdays", "weekends"


class HourFigures(Struct, frozen=True, kw_only=True):
    """One hour of one session. Seconds; None without an answer.

    pdv_s: the 95 % quantile less the least (RFC 5481 PDV). rating: a call stream's median R (ITU-T G.107).
    """

    sent: int
    lost: int
    p50_s: float | None = None
    p95_s: float | None = None
    pdv_s: float | None = None
    rating: float | None = None


class HourTable(Struct, frozen=True, kw_only=True):
    """A session's hours, by their number since the epoch (UTC)."""

    session: SessionKey
    hours: Mapping[int, HourFigures]

    def whole(self) -> "HourTable":
        """Without hours of which much was not measured."""
        usual = float(np.median([h.sent for h in self.hours.values()])) if self.hours else 0.0
        kept = {n: h for n, h in self.hours.items() if h.sent and h.sent >= LEAST_SHARE * usual}
        return HourTable(session=self.session, hours=kept)


def _rating(sent_ns: Int64, fate: NDArray[np.uint8], rtt_ns: Int64) -> float | None:
    ends = [*(np.flatnonzero(np.diff(sent_ns) > STRETCH_GAP_NS) + 1), len(sent_ns)]
    ratings, start = [], 0
    for end in ends:
        piece = slice(start, int(end))
        start = int(end)
        if piece.stop - piece.start < LEAST_CALL:
            continue
        none = array("q", bytes(8 * (piece.stop - piece.start)))
        columns = Columns(
            sent_ns=array("q", sent_ns[piece].tobytes()),
            fate=array("B", fate[piece].tobytes()),
            rtt_ns=array("q", rtt_ns[piece].tobytes()),
            out_ns=none,
            queue_ns=none,
        )
        rating = judge_call(columns).rating
        if rating is not None:
            ratings.append(rating.r)
    return float(np.median(ratings)) if ratings else None


def hour_table(session: SessionKey, *, sent_ns: Int64, fate: NDArray[np.uint8], rtt_ns: Int64) -> HourTable:
    """The hours of samples in the order sent (arrays of one length, ns), less those set aside."""
    asked = fate < Fate.NOT_SENT
    sent, fates, trips = sent_ns[asked], fate[asked], rtt_ns[asked]
    numbers = sent // HOUR_NS
    starts = np.flatnonzero(np.diff(numbers, prepend=-1))
    hours: dict[int, HourFigures] = {}
    for start, end in pairwise([*starts, len(numbers)]):
        part = slice(int(start), int(end))
        answered = fates[part] == Fate.ANSWERED
        seconds = trips[part][answered] * 1e-9
        middle = upper = spread = None
        if len(seconds):
            middle, upper = (float(q) for q in np.quantile(seconds, (0.5, 0.95)))
            spread = upper - float(seconds.min())
        call = session.method is Method.CALL
        hours[int(numbers[start])] = HourFigures(
            sent=len(answered),
            lost=int(len(answered) - answered.sum()),
            p50_s=middle,
            p95_s=upper,
            pdv_s=spread,
            rating=_rating(sent[part], fates[part], trips[part]) if call else None,
        )
    return HourTable(session=session, hours=hours)


def part_words(part: int) -> str:
    """A part of the day by name and hours, local."""
    return f"{PARTS[part]} ({PART_HOURS * part}:00 to {PART_HOURS * (part + 1)}:00)"


@lru_cache(maxsize=65536)
def local_place(hour: int, zone: tzinfo | None) -> tuple[int, int]:
    """The local hour of the day at which an hour (UTC, counted from the epoch) begins, and the local day.

    Days are counted from 1970-01-01. Zones that are off by half an hour keep their own clock's hour.
    """
    at = datetime.fromtimestamp(hour * 3600, UTC).astimezone(zone)
    return at.hour, at.toordinal() - _EPOCH


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC).toordinal()


class Matching(Struct, frozen=True, kw_only=True):
    """Hours whose hour of day both sides have, in the order of time, arrays of one length.

    block: which of `places` an hour belongs to: one part of one local day on one side. matched: pairs of
    hours of one hour of day, each hour once. days_before, days_after: local days. kinds: WEEKDAYS, WEEKENDS
    or both: what both sides have.
    """

    hours: Ints
    of_day: Ints
    block: Ints
    places: Places
    matched: int
    days_before: int
    days_after: int
    kinds: tuple[str, ...]

    @property
    def days(self) -> int:
        """Local days on all sides, the past included."""
        return len(np.unique(self.places.day))


def _is_weekend(day: int) -> bool:
    return (day + 3) % 7 >= 5


def match_hours(
    before: Iterable[int], after: Iterable[int], zone: tzinfo | None, past: Iterable[int] = ()
) -> Matching:
    """The hours of day that were measured both before and after, and of `past` the same ones.

    past: hours before those that are compared, from which only is learned how days differ.
    """
    sides = {BEFORE: sorted(before), AFTER: sorted(after), PAST: sorted(past)}
    counts = {side: Counter(local_place(h, zone)[0] for h in hours) for side, hours in sides.items()}
    both = counts[BEFORE].keys() & counts[AFTER].keys()
    rows = sorted(
        (hour, side, *local_place(hour, zone))
        for side, hours in sides.items()
        for hour in hours
        if local_place(hour, zone)[0] in both
    )
    hours, side, of_day, day = np.array(rows, dtype=np.int64).reshape(-1, 4).T
    part = of_day // PART_HOURS
    keys = np.stack([day, part, side])
    _, first, block = np.unique(keys, axis=1, return_index=True, return_inverse=True)
    block = block.reshape(-1)
    middle = np.bincount(block, weights=hours / 24) / np.bincount(block) if rows else np.zeros(0)
    places = Places(at_days=middle, day=day[first], part=part[first], side=side[first])
    days = [{int(d) for d in day[side == s]} for s in (BEFORE, AFTER)]
    kinds = [{WEEKENDS if _is_weekend(d) else WEEKDAYS for d in some} for some in days]
    return Matching(
        hours=hours,
        of_day=of_day,
        block=block,
        places=places,
        matched=sum(min(counts[BEFORE][h], counts[AFTER][h]) for h in both),
        days_before=len(days[0]),
        days_after=len(days[1]),
        kinds=tuple(k for k in (WEEKDAYS, WEEKENDS) if k in kinds[0] & kinds[1]),
    )


def picked(places: Places, where: Sequence[bool] | np.ndarray) -> Places:
    """Some of the places."""
    index = np.asarray(where)
    return Places(
        at_days=places.at_days[index], day=places.day[index], part=places.part[index], side=places.side[index]
    )
