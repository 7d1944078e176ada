"""What a change did to one measure: the shift over matched hours, its interval, and what that means."""

from collections.abc import Mapping, Sequence
from datetime import tzinfo
from enum import StrEnum
from typing import NamedTuple

import numpy as np
from msgspec import Struct, field
from msgspec.structs import replace

from whichhop.change.day_effect import (
    DayShift,
    block_values,
    earlier_places,
    enough_days,
    of_some,
    shift_of,
)
from whichhop.change.hours import PARTS, WEEKDAYS, WEEKENDS, Matching, match_hours, part_words
from whichhop.stats.difference import Difference, less, share_difference
from whichhop.stats.level_step import AFTER, BEFORE, Places
from whichhop.stats.looks import days_needed
from whichhop.stats.quantile import Floats


class ChangeAnswer(StrEnum):
    """What a change did."""

    HELPED = "helped"
    NO_DIFFERENCE = "no difference shown"
    WORSE = "worse"
    MIXED = "mixed"
    """One measure is better and another worse."""
    UNMEASURED = "not measured"
    """No hour of the day was measured both before and after."""


class ComparedMeasure(Struct, frozen=True, kw_only=True):
    """One kind of figure. better: +1 where more is better, -1 where less is, 0 where `good` decides.

    least: what a person would not notice, in the figure's unit; a smaller shift is no difference. good: a
    range inside which a value may lie anywhere and outside which nearer is better. relative: `least` and
    `grain` are shares of the value before. grain: what a value is known to at best. day_memory: how likely,
    before any data, that one day's value resembles the next one's, as the weather makes a cable's.
    """

    name: str
    words: str
    unit: str
    better: int
    least: float
    shown: str
    grain: float
    day_memory: float = 0.02
    scale: float = 1.0
    relative: bool = False
    good: tuple[float, float] | None = None


class Share(Struct, frozen=True, kw_only=True):
    """A part of the day, or one kind of days, by itself. name: as a reader sees it."""

    name: str
    answer: ChangeAnswer
    change: float
    low: float
    high: float
    confidence: float


class ChangeEffect(Struct, frozen=True, kw_only=True):
    """One measure before and after. before, after: levels over the same hours of day, in its unit.

    change: the shift's estimate, low and high its interval at `confidence`; an interval without ends says
    that the days are too few. hours: hours of one hour of day on both sides, each counted once. days_before,
    days_after: local days that they lie on. needed: further days that would probably make it clear; None
    when it is clear, 0 never. when: the part of the day or the kind of days that the answer speaks of, ""
    for all. drift_a_day: a steady drift that is likelier than not, and allowed for. earlier: the same
    comparison in the middle of the time before, where nothing was changed. why: what keeps the days from
    telling more.
    """

    measure: str
    answer: ChangeAnswer
    hours: int
    confidence: float
    before: float | None = None
    after: float | None = None
    change: float | None = None
    low: float | None = None
    high: float | None = None
    needed: int | None = None
    days_before: int = 0
    days_after: int = 0
    when: str = ""
    shares: tuple[Share, ...] = field(default=())
    drift_a_day: float | None = None
    earlier: Share | None = None
    why: str = ""


class Setting(Struct, frozen=True, kw_only=True):
    """What all effects of one table share. alpha: the chance of error that each may use up.

    shares: whether parts of the day and kinds of days are judged by themselves too, which use up SHARES_ALPHA
    times as much on top. common: the chance for all figures together; None: the same. look: its number.
    """

    zone: tzinfo | None
    alpha: float
    common: float | None = None
    look: int = 1
    shares: bool = True

    @property
    def confidence(self) -> float:
        """Of each interval."""
        return 1 - self.alpha


Counts = Mapping[int, tuple[float, float]]
NO_COUNTS: Counts = {}
SHARES_ALPHA = 0.5
"""What parts of the day, weekdays and weekends use up together of the chance of error, for each that the
whole uses up. Our own choice: most changes act all day."""
EARLIER_CONFIDENCE = 0.95
"""Of the comparison before the change: it warns, and claims nothing."""
EARLIER_SHARE = 0.5
"""A shift as far in the middle of the time before explains the change away from this share of it on."""
KINDS_AGAIN_DAYS = 5
"""Within so many days a weekday follows a weekend, and within five a weekend most weekdays."""
TOO_FEW = "too few days to tell a change from what days differ by"
KINDS_APART = "weekdays on one side, weekends on the other: they cannot be compared"
DRIFTED = "the days before the change moved as much"
BAD_DAYS = "so few days may merely be bad ones"


def _gain(measure: ComparedMeasure, before: float, change: float) -> int:
    """+1 when a change is to the better, -1 when to the worse."""
    if measure.good is None:
        return measure.better if change > 0 else -measure.better
    low, high = measure.good
    was, now = (max(low - v, v - high, 0.0) for v in (before, before + change))
    if was != now:
        return 1 if now < was else -1
    return measure.better if change > 0 else -measure.better


def _answer(measure: ComparedMeasure, before: float, change: float, low: float, high: float) -> ChangeAnswer:
    least = measure.least * (abs(before) if measure.relative else 1.0)
    if (low > 0 or high < 0) and abs(change) >= least:
        return ChangeAnswer.HELPED if _gain(measure, before, change) > 0 else ChangeAnswer.WORSE
    return ChangeAnswer.NO_DIFFERENCE


def _sure_of_none(measure: ComparedMeasure, effect: ChangeEffect) -> bool:
    """Sure that nothing worth noticing changed."""
    if effect.low is None or effect.high is None:
        return False
    least = measure.least * (abs(effect.before or 0.0) if measure.relative else 1.0)
    return -least <= effect.low and effect.high <= least


class _Row(NamedTuple):
    """What a measure's hours come to: a value a block, and its level before."""

    matching: Matching
    values: Floats
    before: float
    floor: Difference | None = None


def _blank(measure: ComparedMeasure, setting: Setting, matching: Matching) -> ChangeEffect:
    return ChangeEffect(
        measure=measure.name,
        answer=ChangeAnswer.NO_DIFFERENCE if matching.matched else ChangeAnswer.UNMEASURED,
        hours=matching.matched,
        confidence=setting.confidence,
        days_before=matching.days_before,
        days_after=matching.days_after,
    )


def _shift(
    measure: ComparedMeasure, row: _Row, part: tuple[Places, Floats], setting: Setting, confidence: float
) -> DayShift | None:
    return shift_of(
        *part,
        confidence=confidence,
        common=setting.alpha if setting.common is None else setting.common,
        grain=measure.grain * (abs(row.before) if measure.relative else 1.0),
        day_memory=measure.day_memory,
    )


def _shares(measure: ComparedMeasure, row: _Row, setting: Setting) -> tuple[Share, ...]:
    """Each part of the day and each kind of days by itself, where there are several."""
    places = row.matching.places
    picks: list[tuple[str, Sequence[bool] | np.ndarray]] = [
        (part_words(p), places.part == p) for p in range(len(PARTS)) if (places.part == p).any()
    ]
    picks = picks if len(picks) > 1 else []
    if len(row.matching.kinds) > 1:
        picks += [(WEEKDAYS, ~places.weekend), (WEEKENDS, places.weekend)]
    confidence = 1 - setting.alpha * SHARES_ALPHA / (len(PARTS) + 2)
    out = []
    for name, where in picks:
        found = _shift(measure, row, of_some(places, row.values, where), setting, confidence)
        if found is not None:
            low, high = found.interval.low, found.interval.high
            out.append(
                Share(
                    name=name,
                    answer=_answer(measure, row.before, found.estimate, low, high),
                    change=found.estimate,
                    low=low,
                    high=high,
                    confidence=confidence,
                )
            )
    return tuple(out)


def _earlier(measure: ComparedMeasure, row: _Row, setting: Setting) -> Share | None:
    places = earlier_places(row.matching.places)
    if places is None:
        return None
    values = row.values[row.matching.places.side != AFTER]
    found = _shift(measure, row, (places, values), replace(setting, common=1.0), EARLIER_CONFIDENCE)
    if found is None:
        return None
    low, high = found.interval.low, found.interval.high
    return Share(
        name="the middle of the time before",
        answer=_answer(measure, row.before, found.estimate, low, high),
        change=found.estimate,
        low=low,
        high=high,
        confidence=EARLIER_CONFIDENCE,
    )


def _effect(measure: ComparedMeasure, row: _Row, setting: Setting) -> ChangeEffect:
    matching = row.matching
    blank = replace(_blank(measure, setting, matching), before=row.before)
    if not matching.kinds:
        return replace(blank, answer=ChangeAnswer.NO_DIFFERENCE, why=KINDS_APART, needed=KINDS_AGAIN_DAYS)
    found = None
    if enough_days(matching.places):
        found = _shift(measure, row, (matching.places, row.values), setting, setting.confidence)
    if found is None:
        side = matching.places.side
        change = float(row.values[side == AFTER].mean() - row.values[side == BEFORE].mean())
        spare = 4 - matching.days_before - matching.days_after
        return replace(
            blank,
            after=row.before + change,
            change=change,
            low=-np.inf,
            high=np.inf,
            needed=max(1, spare),
            why=TOO_FEW,
        )
    low, high = found.interval.low, found.interval.high
    if row.floor is not None:  # as if packets were lost one by one: never surer than that
        low, high = min(low, row.floor.interval.low), max(high, row.floor.interval.high)
    effect = replace(
        blank,
        answer=_answer(measure, row.before, found.estimate, low, high),
        after=row.before + found.estimate,
        change=found.estimate,
        low=low,
        high=high,
        when=matching.kinds[0] if len(matching.kinds) == 1 and matching.days > 7 else "",
        shares=_shares(measure, row, setting) if setting.shares else (),
        drift_a_day=found.drift_a_day,
    )
    if effect.answer is ChangeAnswer.NO_DIFFERENCE:
        effect = _by_share(effect)
    if effect.answer is not ChangeAnswer.NO_DIFFERENCE:
        return _held_against_earlier(measure, row, setting, effect)
    if _sure_of_none(measure, effect):
        return effect
    least = measure.least * (abs(row.before) if measure.relative else 1.0)
    needed = days_needed(
        found.estimate,
        found.error,
        least=least,
        days=(matching.days_before, matching.days_after),
        alpha=setting.alpha,
        look=setting.look,
    )
    common = setting.alpha if setting.common is None else setting.common
    return replace(effect, needed=needed, why=BAD_DAYS if found.bad_days > common else "")


def _by_share(effect: ChangeEffect) -> ChangeEffect:
    """The answer of the part of the day or the kind of days that shows one where the whole does not."""
    shown = [s for s in effect.shares if s.answer is not ChangeAnswer.NO_DIFFERENCE]
    if not shown:
        return effect
    answers = {s.answer for s in shown}
    answer = answers.pop() if len(answers) == 1 else ChangeAnswer.MIXED
    return replace(effect, answer=answer, when=" and ".join(s.name for s in shown))


def _held_against_earlier(
    measure: ComparedMeasure, row: _Row, setting: Setting, effect: ChangeEffect
) -> ChangeEffect:
    """The effect beside what the same comparison shows where nothing was changed."""
    earlier = _earlier(measure, row, setting)
    effect = replace(effect, earlier=earlier)
    alike = earlier is not None and earlier.answer is effect.answer
    if earlier is None or not alike or abs(earlier.change) < EARLIER_SHARE * abs(effect.change or 0.0):
        return effect
    return replace(effect, answer=ChangeAnswer.NO_DIFFERENCE, when="", why=DRIFTED)


def shift_effect(
    measure: ComparedMeasure,
    before: Mapping[int, float],
    after: Mapping[int, float],
    setting: Setting,
    past: Mapping[int, float] | None = None,
) -> ChangeEffect:
    """The shift of a value that each hour has (hour number -> value, in the measure's unit).

    past: hours before those, from which only is learned how days differ; see stats/level_step.py.
    """
    all_ = {**(past or {}), **before, **after}
    matching = match_hours(before, after, setting.zone, past or ())
    if not matching.matched:
        return _blank(measure, setting, matching)
    raw = np.array([all_[h] for h in matching.hours.tolist()])
    values, _ = block_values(matching, raw, robust=True)
    side = matching.places.side[matching.block]
    row = _Row(matching, values, float(np.median(raw[side == BEFORE])))
    return _effect(measure, row, setting)


def _shares_by_hour(counts: Mapping[int, tuple[float, float]]) -> dict[int, float]:
    return {hour: hits / total for hour, (hits, total) in counts.items() if total > 0}


def _one_by_one(matching: Matching, counts: Counts, confidence: float) -> Difference:
    """The score interval of packets lost one by one, over the hours that are compared."""
    sides = matching.places.side[matching.block]
    sums = []
    for side in (BEFORE, AFTER):
        hours = [counts[h] for h in matching.hours[sides == side].tolist()]
        sums.append((sum(x for x, _ in hours), sum(n for _, n in hours)))
    return share_difference(sums[0], sums[1], confidence)


def share_effect(
    measure: ComparedMeasure,
    before: Counts,
    after: Counts,
    setting: Setting,
    near: tuple[Counts, Counts] | None = None,
    *,
    past: tuple[Counts, Counts] = (NO_COUNTS, NO_COUNTS),
) -> ChangeEffect:
    """The difference of a share (hour number -> hits, total), such as packets lost of packets sent.

    near: the same of the session that ends just before the link; the effect is then the link's own. past: as
    for `shift_effect`, of the session and of the near one.
    """
    far_all = {**past[0], **before, **after}
    near_all = {**past[1], **near[0], **near[1]} if near is not None else {}
    sides = [_shares_by_hour(c) for c in (before, after, past[0])]
    if near is not None:
        inner = _shares_by_hour(near_all)
        sides = [{h: v - inner[h] for h, v in side.items() if h in inner} for side in sides]
    matching = match_hours(sides[0], sides[1], setting.zone, sides[2])
    if not matching.matched:
        return _blank(measure, setting, matching)
    all_ = {**sides[2], **sides[0], **sides[1]}
    raw = np.array([all_[h] for h in matching.hours.tolist()])
    values, _ = block_values(matching, raw, robust=False)
    floor = _one_by_one(matching, far_all, setting.confidence)
    if near is not None:
        floor = less(floor, _one_by_one(matching, near_all, setting.confidence))
    side = matching.places.side[matching.block]
    row = _Row(matching, values, float(raw[side == BEFORE].mean()), floor)
    return _effect(measure, row, setting)


def together(effects: tuple[ChangeEffect, ...]) -> ChangeAnswer:
    """One answer for several measures of one link, session or group."""
    said = {effect.answer for effect in effects}
    if not said - {ChangeAnswer.UNMEASURED}:
        return ChangeAnswer.UNMEASURED
    if {ChangeAnswer.HELPED, ChangeAnswer.WORSE} <= said:
        return ChangeAnswer.MIXED
    return next(iter(said & {ChangeAnswer.HELPED, ChangeAnswer.WORSE}), ChangeAnswer.NO_DIFFERENCE)
