"""Hours of homes whose truth is known: how days differ, what remembers, what drifts; dice passed in."""

from collections.abc import Callable

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

Floats = NDArray[np.float64]
HOURS_A_DAY = 24
FIRST_HOUR = 24 * 20_521
"""2026-03-09, a Monday; days of UTC."""


class Noise(Struct, frozen=True, kw_only=True, dict=True):
    """One way in which hours differ though nothing was changed. draw: (dice, days) to values of each hour, in
    the unit of the hours' own standard deviation."""

    name: str
    draw: Callable[[np.random.Generator, int], Floats]


def hourly(days: Floats) -> Floats:
    """A day's value for each of its hours."""
    return np.repeat(days, HOURS_A_DAY)


def remembering(dice: np.random.Generator, many: int, length: float) -> Floats:
    """A first-order autoregression of unit variance that forgets in `length` steps."""
    keep = float(np.exp(-1 / length))
    out = np.empty(many)
    at = dice.standard_normal()
    for i, kick in enumerate(dice.standard_normal(many) * np.sqrt(1 - keep**2)):
        at = keep * at + kick
        out[i] = at
    return out


def white(dice: np.random.Generator, days: int) -> Floats:
    """The hours' own noise, on a day's rhythm of twice its size."""
    clock = np.arange(days * HOURS_A_DAY) % HOURS_A_DAY
    return dice.standard_normal(len(clock)) + 2 * np.sin(2 * np.pi * clock / HOURS_A_DAY)


def differing(size: float) -> Callable[[np.random.Generator, int], Floats]:
    """Days that differ, each for itself."""
    return lambda dice, days: white(dice, days) + hourly(size * dice.standard_normal(days))


def hours_that_remember(size: float, hours: float) -> Callable[[np.random.Generator, int], Floats]:
    """Hours that resemble the hours before."""
    return lambda dice, days: white(dice, days) + size * remembering(dice, days * HOURS_A_DAY, hours)


def drifting(a_day: float, size: float) -> Callable[[np.random.Generator, int], Floats]:
    """A steady drift under days that differ."""
    return lambda dice, days: differing(size)(dice, days) + a_day * np.arange(days * 24) / 24


def weekdays(size: float) -> Callable[[np.random.Generator, int], Floats]:
    """Weekends that are 3 higher, weekdays with something of their own, days that differ."""

    def draw(dice: np.random.Generator, days: int) -> Floats:
        own = dice.standard_normal(7) * 0.5 + np.where(np.arange(7) >= 5, 3.0, 0.0)
        return differing(size)(dice, days) + hourly(own[np.arange(days) % 7])

    return draw


def weather(size: float, length: float) -> Callable[[np.random.Generator, int], Floats]:
    """Days that resemble the days before, as temperature does, under a rhythm of the day that follows it."""
    return lambda dice, days: 0.2 * white(dice, days) + hourly(size * remembering(dice, days, length))


def bad_days(share: float, size: float) -> Callable[[np.random.Generator, int], Floats]:
    """Some days are worse by an exponential of mean `size`, each for itself."""
    return lambda dice, days: (
        white(dice, days) + hourly((dice.random(days) < share) * dice.exponential(size, days))
    )


def evenings_differ(size: float) -> Callable[[np.random.Generator, int], Floats]:
    """Only the evenings differ from day to day."""

    def draw(dice: np.random.Generator, days: int) -> Floats:
        evening = np.arange(days * 24) % 24 >= 18
        return white(dice, days) + evening * hourly(size * dice.standard_normal(days))

    return draw


NOISES = (
    Noise(name="days alike", draw=differing(0.0)),
    Noise(name="days differ by 0.5", draw=differing(0.5)),
    Noise(name="days differ by 1", draw=differing(1.0)),
    Noise(name="days differ by 2", draw=differing(2.0)),
    Noise(name="hours remember 20 h", draw=hours_that_remember(1.0, 20.0)),
    Noise(name="hours remember 6 h", draw=hours_that_remember(1.0, 6.0)),
    Noise(name="drift of 0.4 a day", draw=drifting(0.4, 0.5)),
    Noise(name="drift of 0.4, days 1", draw=drifting(0.4, 1.0)),
    Noise(name="weekday pattern", draw=weekdays(0.5)),
    Noise(name="bad days", draw=bad_days(0.12, 4.0)),
    Noise(name="evenings differ", draw=evenings_differ(2.0)),
)
WEATHERS = (
    Noise(name="weather of 0.4", draw=weather(0.4, 2.0)),
    Noise(name="weather of 0.8", draw=weather(0.8, 2.0)),
    Noise(name="weather of 0.8, 4 days", draw=weather(0.8, 4.0)),
)
