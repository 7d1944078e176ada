"""None, one or two standing faults: how likely each explanation of what sessions saw is."""

from collections.abc import Sequence
from itertools import combinations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.standing.columns import FEATURES, SHAPES, Groups
from whichhop.compare.standing.fit import Fit, fit
from whichhop.compare.standing.hills import Measure, Slab
from whichhop.compare.standing.likelihoods import of_counts, of_delays, widened
from whichhop.compare.standing.seen import SeenAtRest
from whichhop.compare.standing.usual import MS, Feature

Floats = NDArray[np.float64]

SLABS = {
    Feature.LEVEL: Slab(median=40 * MS, log_sd=0.8),
    Feature.TAIL: Slab(median=9 * MS, log_sd=0.9),
    Feature.LOSS: Slab(median=0.09, log_sd=0.8),
    Feature.LATE: Slab(median=0.12, log_sd=0.7),
}
"""How large faults are that somebody notices; wide, common practice."""
LATE_LEAK = 0.01
"""One session in a hundred is late by itself, as where a radio dozes whenever just this one asks."""
LATE_TEMPER = 0.7
"""At a packet a second two late ones in a row are seldom of one spell, but one may meet several sessions."""
MOST_FAULTS = 2
LEADERS = 5
"""Pairs are tried among the likeliest groups, and of the likeliest with every other."""
WELL = 0.99
"""So sure of no fault beside every single one, a home needs no two weighed: in 58 stretches of development
homes that were, all twos together had under 2e-5."""

HAS = np.array([[f in shape for f in FEATURES] for *_, shape in SHAPES], dtype=float)
"""(shapes, features): 1 where a fault of that shape adds to that feature."""
_ONE, _OTHER = np.repeat(HAS, len(SHAPES), axis=0), np.tile(HAS, (len(SHAPES), 1))
BOTH_HAVE, ONE_HAS, OTHER_HAS = _ONE * _OTHER, _ONE * (1 - _OTHER), _OTHER * (1 - _ONE)
"""The same of two faults, for every shape of the one with every shape of the other."""
OF_A_LEVEL = np.array([shape in ((Feature.LEVEL,), (Feature.LEVEL, Feature.LOSS)) for *_, shape in SHAPES])


class Odds(Struct, frozen=True, kw_only=True):
    """probability: per group that it has a standing fault (groups,). none: that nothing has.

    hypotheses, weights: the explanations tried and their posterior probabilities. fits: per feature, one row
    a hypothesis. shapes: per hypothesis the likeliest features of each of its faults.
    """

    probability: Floats
    none: float
    hypotheses: tuple[tuple[int, ...], ...]
    weights: Floats
    fits: dict[Feature, Fit]
    shapes: tuple[tuple[tuple[Feature, ...], ...], ...]

    @property
    def best(self) -> int:
        """The likeliest hypothesis."""
        return int(np.argmax(self.weights))


def odds_of(seen: SeenAtRest, heard: Sequence[int], groups: Groups) -> Odds:
    """Weigh every explanation; `heard` are the sessions that stand in the rows of the groups' matrix."""
    count = len(groups.members)
    singles: list[tuple[int, ...]] = [(), *((g,) for g in range(count))]
    first = _fits(seen, heard, groups, singles)
    both = _pairs(_log_weights(groups, singles, first)[0])
    hypotheses = [*singles, *both]
    fits = _joined(first, _fits(seen, heard, groups, both, first)) if both else first
    weight, shapes = _log_weights(groups, hypotheses, fits)
    posterior = np.exp(weight - np.logaddexp.reduce(weight))
    probability = np.zeros(count)
    for h, chosen in enumerate(hypotheses):
        for g in chosen:
            probability[g] += posterior[h]
    return Odds(
        probability=np.minimum(probability, 1.0),
        none=float(posterior[0]),
        hypotheses=tuple(hypotheses),
        weights=posterior,
        fits=fits,
        shapes=shapes,
    )


def _pairs(weight: Floats) -> list[tuple[int, ...]]:
    """Which two faults are weighed, by the log weights of none and of each group's; none where that is nearly
    sure, for each of two faults that are there explains something that none leaves."""
    if weight[0] - np.logaddexp.reduce(weight) > np.log(WELL):
        return []
    order: list[int] = np.argsort(-weight[1:], kind="stable").tolist()
    pairs = {tuple(sorted(p)) for p in combinations(order[:LEADERS], 2)}
    pairs |= {tuple(sorted((order[0], g))) for g in order[1:]} if order else set()
    return sorted(pairs)


def _fits(
    seen: SeenAtRest,
    heard: Sequence[int],
    groups: Groups,
    hypotheses: Sequence[tuple[int, ...]],
    alone: dict[Feature, Fit] | None = None,
) -> dict[Feature, Fit]:
    rows = np.asarray(heard, dtype=np.intp)
    likelihoods = {
        Feature.LEVEL: of_delays(seen.level_s[rows], seen.level_error_s[rows]),
        Feature.TAIL: of_delays(seen.tail_s[rows], seen.tail_error_s[rows]),
        Feature.LOSS: of_counts(seen.sent[rows], seen.lost[rows]),
        Feature.LATE: of_counts(seen.answered[rows], seen.late[rows], leak=LATE_LEAK, temper=LATE_TEMPER),
    }
    rough = {
        Feature.LEVEL: widened(seen.level_s[rows], seen.level_error_s[rows]),
        Feature.TAIL: widened(seen.tail_s[rows], seen.tail_error_s[rows]),
        Feature.LATE: (of_counts(seen.answered[rows], seen.late[rows], temper=LATE_TEMPER),),
    }
    measures = [
        Measure(budget=groups.budgets[f], likelihood=likelihoods[f], slab=SLABS[f], rough=rough.get(f, ()))
        for f in FEATURES
    ]
    found = fit(groups.matrix, measures, hypotheses, alone=[alone[f] for f in FEATURES] if alone else [])
    return dict(zip(FEATURES, found, strict=True))


def _joined(one: dict[Feature, Fit], other: dict[Feature, Fit]) -> dict[Feature, Fit]:
    def stack(a: Floats, b: Floats) -> Floats:
        width = max(a.shape[1], b.shape[1])
        return np.concatenate([_wide(a, width), _wide(b, width)])

    return {
        f: Fit(
            evidence=np.concatenate([one[f].evidence, other[f].evidence]),
            log_value=stack(one[f].log_value, other[f].log_value),
            log_error=stack(one[f].log_error, other[f].log_error),
        )
        for f in FEATURES
    }


def _wide(a: Floats, width: int) -> Floats:
    return np.pad(a, ((0, 0), (0, width - a.shape[1])), constant_values=np.nan)


def _log_weights(
    groups: Groups, hypotheses: Sequence[tuple[int, ...]], fits: dict[Feature, Fit]
) -> tuple[Floats, tuple[tuple[tuple[Feature, ...], ...], ...]]:
    """Log posterior weights against no fault, all shapes summed, and the likeliest shapes."""
    gain = np.stack([fits[f].evidence - fits[f].evidence[0] for f in FEATURES])
    log_odds = np.log(groups.prior) - np.log1p(-groups.prior)
    log_shape = _log_shapes(groups)
    out = np.full(len(hypotheses), np.log1p(-groups.prior).sum())
    best: list[tuple[tuple[Feature, ...], ...]] = [()] * len(hypotheses)
    place = {chosen: h for h, chosen in enumerate(hypotheses)}
    ones = [h for h, chosen in enumerate(hypotheses) if len(chosen) == 1]
    if ones:
        (group,) = np.array([hypotheses[h] for h in ones]).T
        terms = log_shape[group] + (HAS @ gain[:, ones]).T
        out[ones] += log_odds[group] + np.logaddexp.reduce(terms, axis=1)
        for h, shape in zip(ones, np.argmax(terms, axis=1), strict=True):
            best[h] = (SHAPES[shape][-1],)
    twos = [h for h, chosen in enumerate(hypotheses) if len(chosen) == 2]
    if twos:
        one, other = np.array([hypotheses[h] for h in twos]).T
        alone = [gain[:, [place[(int(g),)] for g in who]] for who in (one, other)]
        # What both add is fitted together; what only one adds, as if it were alone.
        terms = (log_shape[one][:, :, None] + log_shape[other][:, None, :]).reshape(len(twos), -1)
        terms = terms + (BOTH_HAVE @ gain[:, twos] + ONE_HAS @ alone[0] + OTHER_HAS @ alone[1]).T
        out[twos] += log_odds[one] + log_odds[other] + np.logaddexp.reduce(terms, axis=1)
        for h, pair in zip(twos, np.argmax(terms, axis=1), strict=True):
            first, second = divmod(int(pair), len(SHAPES))
            best[h] = (SHAPES[first][-1], SHAPES[second][-1])
    return out, tuple(best)


def _log_shapes(groups: Groups) -> Floats:
    """How likely each shape is of a fault of each group (groups, shapes): where a level is no fault, none of
    the level alone."""
    weight = groups.shapes.copy()
    weight[np.ix_(groups.distant, OF_A_LEVEL)] = 0.0
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(weight / weight.sum(axis=1, keepdims=True)))
