"""Draws a home's hours of one figure: a hop's delay, loss, a rate, a modem's level; dice passed in."""

from datetime import UTC
from itertools import pairwise

import numpy as np
from msgspec import Struct

from promises.homes import FIRST_HOUR, HOURS_A_DAY, NOISES, WEATHERS, Floats, Noise
from whichhop.change.effect import ChangeEffect, Setting, share_effect, shift_effect
from whichhop.change.measures import MEASURES

PACKETS = 3600
RATE_HOURS = (3, 9, 15, 21)
BASE = {"delay": 0.006, "loss": 0.003, "rate": 90e6, "level": 2.0}
MEASURE = {"delay": "p50_s", "loss": "loss", "rate": "rate_bps", "level": "power_dbmv"}
UNIT = {"delay": 1e-3, "loss": 0.01, "rate": 1e6, "level": 1.0}
"""What a change of 1 is: a millisecond, a per cent of packets, a megabit, a decibel."""


class Case(Struct, frozen=True, kw_only=True, dict=True):
    """A figure with one way of differing."""

    figure: str
    noise: Noise


def loss_days(spread: float, bad: float = 0.0) -> Noise:
    """Losses in bursts of three; days differ by a factor, and some lose one to six per cent on top."""

    def draw(dice: np.random.Generator, days: int) -> Floats:
        share = BASE["loss"] * np.exp(spread * dice.standard_normal(days))
        share += (dice.random(days) < bad) * dice.uniform(0.01, 0.06, days)
        return np.repeat(share, HOURS_A_DAY)

    return Noise(name="bad days" if bad else f"days differ by a factor {np.exp(spread):.1f}", draw=draw)


def rate_days(spread: float) -> Noise:
    """Transfers that differ by 3 %, and days by `spread`, as radios do."""
    return Noise(
        name=f"days differ by {spread:.0%}",
        draw=lambda dice, days: np.exp(
            0.03 * dice.standard_normal(days * 24) + np.repeat(spread * dice.standard_normal(days), 24)
        ),
    )


CASES = (
    *(Case(figure="delay", noise=noise) for noise in NOISES),
    *(Case(figure="loss", noise=loss_days(*pair)) for pair in ((0.0,), (0.5,), (0.3, 0.12))),
    *(Case(figure="rate", noise=rate_days(spread)) for spread in (0.0, 0.1)),
    *(Case(figure="level", noise=noise) for noise in WEATHERS),
)


class Home(Struct, frozen=True, kw_only=True, dict=True):
    """One draw: the values of each hour (for loss the packets lost), with nothing changed.

    plain: what a day comes to, for a plain test of days' means.
    """

    case: Case
    hours: Floats
    dice: np.random.Generator

    @property
    def plain(self) -> Floats:
        """Each day's mean, in the change's unit."""
        days = self.hours.reshape(-1, HOURS_A_DAY)
        kind = self.case.figure
        if kind == "rate":
            days = days[:, list(RATE_HOURS)]
        values = days.mean(axis=1)
        return values / PACKETS / UNIT[kind] if kind == "loss" else values / UNIT[kind]


def a_home(case: Case, dice: np.random.Generator, days: int) -> Home:
    """A home's undisturbed hours, in the figure's own unit."""
    values = case.noise.draw(dice, days)
    if case.figure == "delay":
        hours = BASE["delay"] + UNIT["delay"] * values
    elif case.figure == "loss":
        hours = 3.0 * dice.binomial(PACKETS // 3, np.clip(values, 0.0, 1.0))
    elif case.figure == "rate":
        hours = BASE["rate"] * values
    else:
        hours = BASE["level"] + values
    return Home(case=case, hours=hours, dice=dice)


def changed(home: Home, since_day: int, change: float, *, evenings: bool = False) -> Home:
    """The same home with a change from a day on, in UNITs; evenings: from 18:00 on only."""
    hours = home.hours.copy()
    clock = np.arange(len(hours)) % HOURS_A_DAY
    where = (np.arange(len(hours)) >= since_day * HOURS_A_DAY) & ((clock >= 18) | (not evenings))
    if home.case.figure == "loss":
        hours[where] += 3.0 * home.dice.binomial(PACKETS // 3, change * UNIT["loss"], int(where.sum()))
    else:
        hours[where] += change * UNIT[home.case.figure]
    return Home(case=home.case, hours=hours, dice=home.dice)


def effect_of(
    home: Home, sides: tuple[int, int, int], alpha: float, *, look: int = 1, shares: bool = True
) -> ChangeEffect:
    """What the product says of days (past, before, after) that follow each other."""
    past, before, after = sides
    kind = home.case.figure
    kept = range(24) if kind != "rate" else RATE_HOURS
    cuts = np.cumsum([0, past, before, after]) * HOURS_A_DAY
    rows = [
        {FIRST_HOUR + h: float(home.hours[h]) for h in range(a, b) if h % 24 in kept}
        for a, b in pairwise(cuts)
    ]
    setting = Setting(zone=UTC, alpha=alpha, common=0.05 / look / (look + 1), look=look, shares=shares)
    measure = MEASURES[MEASURE[kind]]
    if kind == "loss":
        old, new, then = (
            {h: (v, float(PACKETS)) for h, v in row.items()} for row in (rows[1], rows[2], rows[0])
        )
        return share_effect(measure, old, new, setting, past=(then, {}))
    return shift_effect(measure, rows[1], rows[2], setting, rows[0])
