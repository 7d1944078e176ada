"""Whether the plan's answers keep their promise where days are good or bad as a whole."""

from collections.abc import Iterator
from datetime import UTC

import numpy as np

from whichhop.capacity.plan import Delivery, LineTest, PlanAnswer, by_hour
from whichhop.model import Plan

PLAN = Plan(down_bps=100_000_000, up_bps=20_000_000)
GOOD_BPS, BAD_BPS = 93e6, 50e6
HOUR_NS = 3600 * 10**9


def delivered(
    dice: np.random.Generator, share: float, days: int, *, whole_days: bool
) -> tuple[Delivery, ...]:
    """What four tests a day say; the plan is there for a share of the days, or of the tests."""
    tests = []
    for day in range(days):
        good_day = dice.random() < share
        for hour in (2, 8, 14, 20):
            good = good_day if whole_days else dice.random() < share
            at_ns = (day * 24 + hour) * HOUR_NS
            tests.append(
                LineTest(at_ns=at_ns, way="down", rate_bps=GOOD_BPS if good else BAD_BPS, at_least=False)
            )
    return by_hour(tests, PLAN, UTC, hours=6)["down"]


def plan_lines(homes: int, seeds: int) -> Iterator[str]:
    """A line for each true share, days and kind."""
    yield f"{homes} homes a line, four tests a day: homes (%) called delivered and missed, promised 2.5"
    yield "wrong at most; any part of the day wrongly so, 2.5; homes (%) whose 95 % interval holds the share."
    yield f"{'true share, days':32s} {'deliv.':>6s} {'missed':>6s} {'parts':>6s} {'covers':>6s}"
    for whole_days in (False, True):
        for share in (0.3, 0.5, 0.72, 0.8, 0.98):
            for days in (5, 14, 40):
                dice = np.random.default_rng([seeds, round(100 * share), days, whole_days])
                yes = no = parts = held = 0
                for _ in range(homes):
                    whole, *some = delivered(dice, share, days, whole_days=whole_days)
                    yes += whole.answer is PlanAnswer.DELIVERED
                    no += whole.answer is PlanAnswer.NOT_DELIVERED
                    wrong = {PlanAnswer.DELIVERED} if share <= 0.8 else set()
                    wrong |= {PlanAnswer.NOT_DELIVERED} if share >= 0.5 else set()
                    parts += any(part.answer in wrong for part in some)
                    held += share in whole.share
                figures = (100 * n / homes for n in (yes, no, parts, held))
                kind = "days as a whole" if whole_days else "each test"
                yield f"{share:5.2f} {days:4d} {kind:21s}" + "".join(f" {one:6.1f}" for one in figures)
