"""None, one or two standing faults: how likely each explanation of what sessions saw is."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

from whichhop.compare.standing.columns import FEATURES, SHAPES, Groups
from whichhop.compare.standing.fit import Fit, Slab, fit, of_counts, of_delays, widened
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
LEADERS = 5
"""Pairs are tried among the likeliest groups, and of the likeliest with every other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Odds:
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
    ratio = _log_weights(groups, singles, first)[0]
    order: list[int] = np.argsort(-ratio[1:], kind="stable").tolist()
    pairs = {tuple(sorted(p)) for p in combinations(order[:LEADERS], 2)}
    pairs |= {tuple(sorted((order[0], g))) for g in order[1:]} if order else set()
    both = sorted(pairs)
    hypotheses = [*singles, *both]
    fits = _joined(first, _fits(seen, heard, groups, both)) if both else first
    weight, shapes = _log_weights(groups, hypotheses, fits)
    posterior = np.exp(weight - logsumexp(weight))
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


def _fits(
    seen: SeenAtRest, heard: Sequence[int], groups: Groups, hypotheses: Sequence[tuple[int, ...]]
) -> dict[Feature, Fit]:
    rows = np.asarray(heard, dtype=np.intp)
    likelihoods = {
        Feature.LEVEL: of_delays(seen.level_s[rows], seen.level_error_s[rows]),
        Feature.TAIL: of_delays(seen.tail_s[rows], seen.tail_error_s[rows]),
        Feature.LOSS: of_counts(seen.sent[rows], seen.lost[rows]),
        Feature.LATE: of_counts(seen.answered[rows], seen.late[rows], leak=LATE_LEAK),
    }
    rough = {
        Feature.LEVEL: widened(seen.level_s[rows], seen.level_error_s[rows]),
        Feature.TAIL: widened(seen.tail_s[rows], seen.tail_error_s[rows]),
        Feature.LATE: (of_counts(seen.answered[rows], seen.late[rows]),),
    }
    return {
        f: fit(
            groups.matrix,
            groups.budgets[f],
            likelihoods[f],
            SLABS[f],
            hypotheses,
            rough=rough.get(f, ()),
        )
        for f in FEATURES
    }


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


def _shapes_for(groups: Groups, g: int) -> list[tuple[float, tuple[Feature, ...]]]:
    """The shapes that a group's fault may have; where a level is no fault, not those of the level alone."""
    kept = [
        s
        for s in SHAPES
        if not (groups.distant[g] and s[1] in ((Feature.LEVEL,), (Feature.LEVEL, Feature.LOSS)))
    ]
    whole = sum(w for w, _ in kept)
    return [(w / whole, fs) for w, fs in kept]


def _log_weights(
    groups: Groups, hypotheses: Sequence[tuple[int, ...]], fits: dict[Feature, Fit]
) -> tuple[Floats, tuple[tuple[tuple[Feature, ...], ...], ...]]:
    """Log posterior weights against no fault, all shapes summed, and the likeliest shapes."""
    place = {chosen: h for h, chosen in enumerate(hypotheses)}
    gain = {f: fits[f].evidence - fits[f].evidence[0] for f in FEATURES}
    base = np.log1p(-groups.prior).sum()
    out, best = np.zeros(len(hypotheses)), []
    for h, chosen in enumerate(hypotheses):
        prior = base + sum(np.log(groups.prior[g]) - np.log1p(-groups.prior[g]) for g in chosen)
        terms: list[tuple[float, tuple[tuple[Feature, ...], ...]]] = []
        if not chosen:
            terms = [(0.0, ())]
        elif len(chosen) == 1:
            for w, fs in _shapes_for(groups, chosen[0]):
                terms.append((float(np.log(w) + sum(gain[f][h] for f in fs)), (fs,)))
        else:
            one, other = place[(chosen[0],)], place[(chosen[1],)]
            for w1, f1 in _shapes_for(groups, chosen[0]):
                for w2, f2 in _shapes_for(groups, chosen[1]):
                    total = np.log(w1) + np.log(w2)
                    for f in FEATURES:
                        if f in f1 and f in f2:
                            total += gain[f][h]
                        elif f in f1:
                            total += gain[f][one]
                        elif f in f2:
                            total += gain[f][other]
                    terms.append((float(total), (f1, f2)))
        out[h] = prior + logsumexp([t for t, _ in terms])
        best.append(max(terms)[1])
    return out, tuple(best)
