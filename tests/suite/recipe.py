"""What a recipe is: a home, its measuring, a script of what goes on, and how many hours of it."""

from collections.abc import Callable

import numpy as np
from msgspec import Struct

from paper_home.homes import PaperHome
from paper_home.other_homes import other_home
from suite.faults import Script
from whichhop.model import Medium

Fill = Callable[[Script, float], None]
Draw = Callable[[int, np.random.Generator], PaperHome]


def elsewhere(plot: str | None = None, line: Medium | None = None) -> Draw:
    """Homes of `paper_home.other_homes`, of a shape and an access medium where they are given."""
    return lambda _seed, rng: other_home(rng, plot=plot, line=line)


class Recipe(Struct, frozen=True, kw_only=True):
    """How the cases of a kind are made.

    fill: writes the script, given the case's seconds. counted: share of homes with counters of their traffic.
    well: true for the healthy twin, the same home and measuring with nothing scripted.
    """

    fill: Fill
    hours: float
    home: Draw
    counted: float = 0.8
    warm_up_s: float = 0.0
    well: bool = False
