"""How far a level stepped at an instant, when days differ from each other and hours remember. Pure.

A mixed linear model of values in the order of time: a level for each part of the day, the step, and what
wanders without anybody's doing, in sizes that nobody knows beforehand: days that differ (each for itself, or
with a memory of days), hours that remember hours, weekends of their own, a steady drift. Each size is taken
at a handful of values; the restricted likelihood of the data (Patterson and Thompson 1971) weighs them, so
that the step's distribution is a mixture of Student's t (the conjugate linear model, Gelman et al., Bayesian
Data Analysis, chapter 14). With few days many sizes remain likely, and the interval is wide.
"""

import math

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray
from scipy import optimize, special

from whichhop.stats.proportion import Interval
from whichhop.stats.quantile import Floats

Ints = NDArray[np.int64]

DAYS = (0.0, 0.1, 0.4, 1.6, 6.4, 25.0, 100.0, 400.0)
"""Variance of what a day adds, in units of a value's own: in steps of a factor of 4, that of 2 in the
standard deviation, between which a mixture runs smoothly; up to days that differ 20 times as much as
values."""
DAY_MEMORY_DAYS = (1.5, 4.0)
"""How long days remember days: weather lasts one to several days (common practice of meteorology: days'
temperatures are alike by about 0.5 to 0.8 from one to the next)."""
HOURS = (0.3, 1.2, 5.0, 20.0)
"""Variance of what hours remember, in the same units and for the same reason."""
HOUR_MEMORY_DAYS = (1 / 3, 0.83, 2.0)
"""From a stretch of an evening to two days."""
BESIDE_HOURS = (0.0, 1.6)
"""What days may add beside hours that remember."""
WEEKEND = 4.0
"""What weekends have of their own, as a standard deviation in units of that of days. Weekdays among each
other are taken for days that differ: a pattern over the week cannot be told from a drift within two
weeks."""
HOURS_SHARE, WEEKEND_SHARE = 0.15, 0.3
"""How likely, before any data, that hours remember, that weekends differ. Chosen on simulated homes of the
development seeds of tests/promises: larger shares make intervals of days alike too wide."""
DRIFT, DRIFT_SHARE = 0.5, 0.15
"""A steady drift a day, as a standard deviation in units of that of days; and how likely there is one."""
LEAST_WEIGHT = 1e-9
"""Of a mixture's part that is kept: far under any chance of error that a table spends."""
PAST, BEFORE, AFTER = 0, 1, 2


class Places(Struct, frozen=True, kw_only=True):
    """Where a row of values stands in time, arrays of one length.

    at_days: time in days. day: the local day's number. part: the part of the day. side: PAST, BEFORE, AFTER.
    """

    at_days: Floats
    day: Ints
    part: Ints
    side: Ints

    @property
    def weekend(self) -> NDArray[np.bool_]:
        """Saturdays and Sundays; day 0 is a Thursday, 1970-01-01."""
        return np.asarray((self.day + 3) % 7 >= 5)


class LevelStep(Struct, frozen=True, kw_only=True):
    """A distribution in parts of Student's t, with their weights (summing to 1)."""

    centres: Floats
    errors: Floats
    weights: Floats
    freedom: int
    drifts: float
    """The chance that there is a steady drift besides."""

    @property
    def estimate(self) -> float:
        """The middle of the distribution's mass, in the values' unit."""
        return float(self.weights @ self.centres)

    @property
    def error(self) -> float:
        """The parts' scale and their scatter together, in the values' unit."""
        spread = (self.centres - self.estimate) ** 2 + self.errors**2
        return math.sqrt(float(self.weights @ spread))

    def under(self, value: float) -> float:
        """The chance that the step is less than `value`."""
        return float(self.weights @ special.stdtr(self.freedom, (value - self.centres) / self.errors))

    def over(self, value: float) -> float:
        """The chance that the step is more than `value`; as exact in the far tail as `under`."""
        return float(self.weights @ special.stdtr(self.freedom, (self.centres - value) / self.errors))

    def interval(self, confidence: float) -> Interval:
        """Equal tails."""
        tail, middle, unit = (1 - confidence) / 2, self.estimate, self.error

        def end(sign: float) -> float:
            chance = self.over if sign > 0 else self.under
            reach = 4.0
            while chance(middle + sign * reach * unit) > tail and reach < 1e9:
                reach *= 4
            if reach >= 1e9:
                return sign * math.inf
            found = optimize.brentq(
                lambda x: math.log(max(chance(middle + sign * x * unit), 1e-300)) - math.log(tail),
                -reach,
                reach,
                xtol=1e-4,
            )
            return middle + sign * float(found) * unit

        return Interval(low=end(-1.0), high=end(1.0), confidence=confidence)


class _Design(Struct, frozen=True, kw_only=True):
    """All that depends on places alone, one entry a mixture part.

    log_prior: of its weight, with what the determinants of the restricted likelihood add.
    """

    whiten: Floats
    basis: Floats
    solve: Floats
    log_prior: Floats
    scale: Floats
    freedom: int


def _fixed(places: Places, *, drift: bool) -> Floats | None:
    """The columns of what is looked for, the step's last; None when there are not more values than
    columns."""
    parts = np.unique(places.part)
    columns = [(places.part == p).astype(float) for p in parts]
    if (places.side == PAST).any():
        columns.append((places.side == PAST).astype(float))
    if drift:
        columns.append(places.at_days - places.at_days.mean())
    kept: list[Floats] = []
    for column in columns:
        if np.linalg.matrix_rank(np.array([*kept, column])) == len(kept) + 1:
            kept.append(column)
    kept.append((places.side == AFTER).astype(float))
    matrix = np.array(kept).T
    if np.linalg.matrix_rank(matrix) < matrix.shape[1] or len(matrix) <= matrix.shape[1]:
        return None
    return matrix


def _covariances(places: Places, day_memory: float) -> tuple[Floats, Floats]:
    """Covariance matrices (parts, n, n) in units of a value's own variance, and their prior weights."""
    apart_days = np.abs(places.day[:, None] - places.day[None]).astype(float)
    apart = np.abs(places.at_days[:, None] - places.at_days[None])
    weekend = np.outer(places.weekend, places.weekend).astype(float)
    per_day = len(places.day) / len(np.unique(places.day))
    alone = np.eye(len(places.day))
    since = places.at_days - places.at_days.mean()
    drift = DRIFT**2 * np.outer(since, since)
    out: list[Floats] = []
    weights: list[float] = []

    def add(shape: Floats, between: float, weight: float) -> None:
        size = 1 / per_day + between
        for own, share in ((0.0, 1 - WEEKEND_SHARE), (WEEKEND**2, WEEKEND_SHARE)):
            steady = alone + shape + own * size * weekend
            out.extend((steady, steady + size * drift))
            weights.extend((weight * share * (1 - DRIFT_SHARE), weight * share * DRIFT_SHARE))

    hours = HOURS_SHARE if per_day > 1 else 0.0  # a value a day says nothing of hours
    rest = 1 - hours - day_memory
    for size in DAYS:
        add(size * (apart_days == 0), size, rest / len(DAYS))
    if day_memory:
        sizes = DAYS[2:]  # smaller ones are nothing to remember
        for length in DAY_MEMORY_DAYS:
            for size in sizes:
                shape = size * np.exp(-apart_days / length)
                add(shape, size, day_memory / len(sizes) / len(DAY_MEMORY_DAYS))
    many = len(HOURS) * len(HOUR_MEMORY_DAYS) * len(BESIDE_HOURS)
    for length in HOUR_MEMORY_DAYS if hours else ():
        remembered = np.exp(-apart / length)
        for size in HOURS:
            for beside in BESIDE_HOURS:
                shape = size * remembered + beside * (apart_days == 0)
                add(shape, size + beside, hours / many)
    return np.array(out), np.array(weights)


class _Prepared:
    """Designs by what they depend on; the oldest goes first."""

    def __init__(self) -> None:
        self._kept: dict[tuple[bytes, float, bool], _Design | None] = {}

    def of(self, places: Places, day_memory: float, *, drift: bool) -> _Design | None:
        rows = (places.at_days, places.day, places.part, places.side)
        key = (b"".join(row.tobytes() for row in rows), day_memory, drift)
        if key not in self._kept:
            if len(self._kept) >= MOST_KEPT:
                del self._kept[next(iter(self._kept))]
            self._kept[key] = _design(places, day_memory, drift=drift)
        return self._kept[key]


MOST_KEPT = 24
"""Designs: a link's figures share eight (the whole, its parts); of five weeks the largest takes 25 MB."""
_PREPARED = _Prepared()


def _design(places: Places, day_memory: float, *, drift: bool) -> _Design | None:
    fixed = _fixed(places, drift=drift)
    if fixed is None:
        return None
    covariances, weights = _covariances(places, day_memory)
    roots = np.linalg.cholesky(covariances)
    whiten = np.linalg.inv(roots)
    basis, upper = np.linalg.qr(whiten @ fixed)
    inverse = np.linalg.inv(upper)
    log_det = np.log(np.diagonal(roots, axis1=1, axis2=2)).sum(axis=1)
    log_fixed = np.log(np.abs(np.diagonal(upper, axis1=1, axis2=2))).sum(axis=1)
    return _Design(
        whiten=whiten,
        basis=basis,
        solve=inverse,
        log_prior=np.log(weights) - log_det - log_fixed,
        scale=(inverse**2).sum(axis=2),
        freedom=fixed.shape[0] - fixed.shape[1],
    )


def _fit(design: _Design, values: Floats, grain: float, place: int) -> LevelStep:
    white = design.whiten @ values
    inside = np.einsum("gnp,gn->gp", design.basis, white)
    outside = white - np.einsum("gnp,gp->gn", design.basis, inside)
    left = (outside**2).sum(axis=1) + design.freedom * grain**2
    log_weight = design.log_prior - design.freedom / 2 * np.log(left)
    weights = np.exp(log_weight - log_weight.max())
    weights /= weights.sum()
    kept = weights > LEAST_WEIGHT
    centres = (design.solve[:, place] * inside).sum(axis=1)
    errors = np.sqrt(left / design.freedom * design.scale[:, place])
    return LevelStep(
        centres=centres[kept],
        errors=errors[kept],
        weights=weights[kept] / weights[kept].sum(),
        freedom=design.freedom,
        drifts=float(weights[1::2].sum()),
    )


def level_step(places: Places, values: Floats, *, grain: float, day_memory: float) -> LevelStep | None:
    """The step between BEFORE and AFTER; None where no value is left over to say how values differ.

    values: one a place, in one unit. grain: what a value is known to at best, in that unit; keeps equal
    values from being sure of everything. day_memory: how likely, before any data, that days remember days.
    Places that come again are prepared once.
    """
    design = _PREPARED.of(places, day_memory, drift=False)
    return None if design is None else _fit(design, values, grain, -1)


def steady_drift(places: Places, values: Floats, *, grain: float, day_memory: float) -> LevelStep | None:
    """The drift a day beside a step, in the values' unit; None where the two cannot be told apart."""
    design = _PREPARED.of(places, day_memory, drift=True)
    # The drift's column stands just before the step's.
    return None if design is None else _fit(design, values, grain, -2)
