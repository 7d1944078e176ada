"""The level of every link as it was found, against what is usual, for readers where no fault is named."""

from collections.abc import Sequence

import numpy as np

from whichhop.compare.standing.columns import DISTANT
from whichhop.compare.standing.named import Weighed
from whichhop.compare.standing.usual import USUAL, Feature, kind_of
from whichhop.compare.suspects.elements import Element
from whichhop.model import Home, Level

Z95 = 1.959963984540054


def levels_of(home: Home, elements: Sequence[Element], weighed: Weighed) -> tuple[Level, ...]:
    """A level for each link that was crossed, or the group it cannot be told from, in the home's order."""
    fits = weighed.odds.fits[Feature.LEVEL]
    best, groups = weighed.odds.best, weighed.groups
    names = {link.name: place for place, link in enumerate(home.links)}
    out = []
    for g, members in enumerate(groups.members):
        links = [j for j in members if elements[j].name in names]
        if not links:
            continue
        value, error = float(fits.log_value[best, g]), float(fits.log_error[best, g])
        # A fault that the likeliest explanation puts here is a part of what every packet pays.
        chosen = weighed.odds.hypotheses[best]
        added = 0.0
        if g in chosen and Feature.LEVEL in weighed.odds.shapes[best][chosen.index(g)]:
            added = float(np.exp(fits.log_value[best, len(groups.members) + chosen.index(g)]))
        ranked = sorted(members, key=lambda j: -USUAL[kind_of(home, elements[j])].level.median)
        budget = groups.budgets[Feature.LEVEL]
        far = kind_of(home, elements[ranked[0]]) in DISTANT
        rows = np.flatnonzero(groups.matrix[:, g])
        trips = [float(weighed.seen.level_s[weighed.heard[r]]) for r in rows]
        out.append(
            Level(
                elements=tuple(elements[j].name for j in ranked),
                level_s=float(np.exp(value)) + added,
                low_s=float(np.exp(value - Z95 * error)) + added,
                high_s=float(np.exp(value + Z95 * error)) + added,
                round_trip_s=max(trips),
                usual_low_s=None if far else float(np.exp(budget.mean[g] - Z95 * budget.sd_below[g])),
                usual_high_s=None if far else float(np.exp(budget.mean[g] + Z95 * budget.sd_above[g])),
            )
        )
    return tuple(sorted(out, key=lambda v: min(names[n] for n in v.elements if n in names)))
