"""What a change did to one measure: the shift over matched hours, its interval, and what that means."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import tzinfo
from enum import StrEnum
from statistics import median

import numpy as np
from scipy import stats

from whichhop.change.pairing import Matching, match_hours
from whichhop.stats.dependent import LEAST_BLOCKS, block_length, dependent_centre, moving_block_error
from whichhop.stats.difference import Difference, design_effect, less, share_difference
from whichhop.stats.looks import least_pairs, pairs_needed


class Answer(StrEnum):
    """What a change did."""

    HELPED = "helped"
    NO_DIFFERENCE = "no difference shown"
    WORSE = "worse"
    MIXED = "mixed"
    """One measure is better and another worse."""
    UNMEASURED = "not measured"
    """No hour of the day was measured both before and after."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One kind of figure. better: +1 where more is better, -1 where less is, 0 where `good` decides.

    least: what a person would not notice, in the figure's unit; a smaller shift is no difference. good: a
    range inside which a value may lie anywhere and outside which nearer is better. relative: `least` is a
    share of the value before.
    """

    name: str
    words: str
    unit: str
    better: int
    least: float
    shown: str
    scale: float = 1.0
    relative: bool = False
    good: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """One measure before and after. before, after: medians (or ratios) over the matched hours, in its unit.

    change: the shift's estimate, low and high its interval at `confidence`; an interval without ends says
    that the hours are too few. hours: matched pairs. needed: further pairs that would probably make it
    clear; None when it is clear.
    """

    measure: str
    answer: Answer
    hours: int
    confidence: float
    before: float | None = None
    after: float | None = None
    change: float | None = None
    low: float | None = None
    high: float | None = None
    needed: int | None = None
    apart: bool = True
    weekdays: int = 0
    weekends: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What all effects of one table share. alpha: the chance of error that each may use up."""

    zone: tzinfo | None
    alpha: float
    seed: int

    @property
    def confidence(self) -> float:
        """Of each interval."""
        return 1 - self.alpha


Counts = Mapping[int, tuple[float, float]]


def _gain(measure: Measure, before: float, change: float) -> int:
    """+1 when a change is to the better, -1 when to the worse."""
    if measure.good is None:
        return measure.better if change > 0 else -measure.better
    low, high = measure.good
    was, now = (max(low - v, v - high, 0.0) for v in (before, before + change))
    if was != now:
        return 1 if now < was else -1
    return measure.better if change > 0 else -measure.better


def judged(measure: Measure, effect: Effect, spread: float) -> Effect:
    """An effect with its answer and the hours that are still needed. spread: of one pair's difference."""
    change, low, high = effect.change, effect.low, effect.high
    if change is None or low is None or high is None:
        return effect
    scale = abs(effect.before or 0.0) if measure.relative else 1.0
    least = measure.least * scale
    if (low > 0 or high < 0) and abs(change) >= least:
        good = _gain(measure, effect.before or 0.0, change) > 0
        return replace(effect, answer=Answer.HELPED if good else Answer.WORSE)
    if -least <= low and high <= least:
        return effect  # sure that nothing worth noticing changed
    aim = max(abs(change), least)
    alpha = 1 - effect.confidence
    wanted = pairs_needed(aim, spread, alpha) if aim > 0 else least_pairs(alpha)
    return replace(effect, needed=max(1, wanted - effect.hours))


def _blank(measure: Measure, setting: Setting, matching: Matching) -> Effect:
    return Effect(
        measure=measure.name,
        answer=Answer.NO_DIFFERENCE if matching.pairs else Answer.UNMEASURED,
        hours=len(matching.pairs),
        confidence=setting.confidence,
        apart=matching.apart,
        weekdays=matching.weekdays,
        weekends=matching.weekends,
    )


def shift_effect(
    measure: Measure, before: Mapping[int, float], after: Mapping[int, float], setting: Setting
) -> Effect:
    """The shift of a value that each hour has (hour number -> value, in the measure's unit).

    Hodges and Lehmann's centre of the paired differences, with an interval that allows for neighbouring
    hours being alike; see stats/dependent.py.
    """
    matching = match_hours(before, after, setting.zone)
    blank = _blank(measure, setting, matching)
    if not matching.pairs:
        return blank
    old = np.array([median(before[h] for h in pair.before) for pair in matching.pairs])
    new = np.array([median(after[h] for h in pair.after) for pair in matching.pairs])
    differences = new - old
    found = dependent_centre(differences, np.random.default_rng(setting.seed), setting.confidence)
    n = len(differences)
    spread = float(differences.std(ddof=1)) if n > 1 else 0.0
    if n // block_length(n) >= LEAST_BLOCKS:
        error = moving_block_error(differences, np.random.default_rng(setting.seed))
        spread = max(spread, error * n**0.5)
    effect = replace(
        blank,
        before=float(np.median(old)),
        after=float(np.median(new)),
        change=found.estimate,
        low=found.interval.low,
        high=found.interval.high,
    )
    return judged(measure, effect, spread)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Shares:
    matching: Matching
    difference: Difference
    before: float
    after: float
    spread: float


def _weighed(before: Counts, after: Counts, setting: Setting) -> _Shares | None:
    """Shares before and after with the same hours weighing the same on both sides.

    Each pair counts with its poorer side's trials, so that ten evenings before and one after do not make the
    evening look like the change. Losses come in bursts, hence the design effect.
    """
    old = {h: c for h, c in before.items() if c[1] > 0}
    new = {h: c for h, c in after.items() if c[1] > 0}
    matching = match_hours(old, new, setting.zone)
    sides: tuple[list[float], list[float]] = ([], [])
    trials: list[float] = []
    for pair in matching.pairs:
        both = [
            (sum(c[h][0] for h in hours), sum(c[h][1] for h in hours))
            for c, hours in ((old, pair.before), (new, pair.after))
        ]
        weight = min(total for _, total in both)
        trials.append(weight)
        for side, (hits, total) in zip(sides, both, strict=True):
            side.append(hits / total * weight)
    if not trials:
        return None
    all_trials = sum(trials)
    # The burstier side's effect for both: a side that happened to see no burst knows nothing of them, and
    # then one bad hour would pass for a change.
    effect = max(design_effect(side, trials) for side in sides)
    before_share, after_share = (sum(side) / all_trials for side in sides)
    independent = all_trials / effect
    found = share_difference(
        (before_share * independent, independent),
        (after_share * independent, independent),
        _with_spread_estimated(setting.confidence, len(trials)),
    )
    variance = sum(p * (1 - p) for p in (before_share, after_share)) / independent
    return _Shares(
        matching=matching,
        difference=_named(found, setting.confidence),
        before=before_share,
        after=after_share,
        spread=(variance * len(trials)) ** 0.5,
    )


def _with_spread_estimated(confidence: float, clusters: int) -> float:
    """The confidence at which a normal curve reaches as far as Student's t over so many clusters does.

    The design effect is itself an estimate, and out of three hours a poor one.
    """
    reach = float(stats.t.ppf(0.5 + confidence / 2, max(1, clusters - 1)))
    return min(1 - 1e-12, 2 * float(stats.norm.cdf(reach)) - 1)


def _named(difference: Difference, confidence: float) -> Difference:
    """The same interval under the confidence that was asked for."""
    return replace(difference, interval=replace(difference.interval, confidence=confidence))


def share_effect(
    measure: Measure,
    before: Counts,
    after: Counts,
    setting: Setting,
    near: tuple[Counts, Counts] | None = None,
) -> Effect:
    """The difference of a share (hour number -> hits, total), such as packets lost of packets sent.

    near: the same of the session that ends just before the link; the effect is then the link's own.
    """
    far = _weighed(before, after, setting)
    own = _weighed(*near, setting) if near is not None else None
    if far is None or (near is not None and own is None):
        nothing = Matching(pairs=(), apart=True, weekdays=0, weekends=0)
        return _blank(measure, setting, nothing)
    difference, old, new, spread = far.difference, far.before, far.after, far.spread
    if own is not None:
        difference = less(difference, own.difference)
        old, new = old - own.before, new - own.after
        spread = (spread**2 + own.spread**2) ** 0.5
    effect = replace(
        _blank(measure, setting, far.matching),
        before=old,
        after=new,
        change=difference.estimate,
        low=difference.interval.low,
        high=difference.interval.high,
    )
    return judged(measure, effect, spread)


def together(effects: tuple[Effect, ...]) -> Answer:
    """One answer for several measures of one link, session or group."""
    said = {effect.answer for effect in effects}
    if not said - {Answer.UNMEASURED}:
        return Answer.UNMEASURED
    if {Answer.HELPED, Answer.WORSE} <= said:
        return Answer.MIXED
    return next((a for a in (Answer.HELPED, Answer.WORSE) if a in said), Answer.NO_DIFFERENCE)
