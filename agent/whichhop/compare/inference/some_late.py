"""What makes some packets late for minutes and does nothing else: a fault of a hop, none of a line in use.

A radio's bad stretch looks so: its median is at rest, and its late packets meet now one session, now another.
Tick by tick each of them is a blip; what tells it is how many there are in minutes. What lies past the home,
and a box that answers when it has time, have such minutes without a fault.
"""

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.inference.evidence import LOWEST, ElementColumns
from whichhop.compare.inference.filter import SELDOMER, USUAL_LATE_EACH_S
from whichhop.compare.inference.likelihood import Evidence
from whichhop.compare.inference.screening import LONG_SPANS, MARGIN, rolling
from whichhop.compare.inference.transients import LOG_MINOR, lasting_log, quiet_log

Singles = NDArray[np.float32]
Doubles = NDArray[np.float64]
PASSES = 0.1
"""The share of such a stretch's ticks in which something else passes, as it does without it; no source, an
order of size."""
MOST = 4
"""So many compete in a stretch, the likeliest first, and as many of what is late without a fault. It bounds
the cost: such stretches begin once in days, and four at once are chance."""


def stretch_log(
    evidence: Evidence,
    columns: ElementColumns,
    which: Sequence[int],
    *,
    small: Doubles,
    quiet: Doubles,
) -> Doubles:
    """Log-likelihood per tick, (ticks, len(which)), that some packets over an element are late and no more.

    small, quiet: (ticks,) of no fault, in which at most a minor excess passes, and of anything that passes.
    """
    late = evidence.late @ columns.matrix[:, list(which)]
    with_late = late + small[:, None] + np.log1p(-PASSES)
    return np.asarray(np.logaddexp(with_late, quiet[:, None] + np.log(PASSES)))


def small_log(minor: Singles, none: float, *, lasting: bool) -> Doubles:
    """Log-likelihood per tick of no fault, in which one minor excess may pass; lasting: for minutes too."""
    small = np.where(minor > LOWEST, minor + np.float32(LOG_MINOR), -np.float32(np.inf))
    out = quiet_log(small, none)
    return lasting_log(out, minor, none) if lasting else out


def support(
    evidence: Evidence, columns: ElementColumns, minor: Singles, none: float, quiet: Doubles
) -> Doubles:
    """Log-ratio per tick of each of `may_be_late` over no fault, where what most sessions cross may be late
    without one."""
    small = small_log(minor, none, lasting=False)
    out = stretch_log(evidence, columns, columns.may_be_late, small=small, quiet=quiet)
    usual = columns.late_usually
    if usual:
        widest = max(usual, key=lambda j: float(columns.matrix[:, j].sum()))
        quiet = np.maximum(quiet, stretch_log(evidence, columns, [widest], small=small, quiet=quiet)[:, 0])
    return np.asarray(out - quiet[:, None])


def competing(log: Doubles, quiet: Doubles, log_rare: Doubles) -> list[int]:
    """Of the columns of `log` those that could overcome their rarity over minutes, the likeliest first."""
    net = log - quiet[:, None]
    best = np.max([rolling(net, span).max(axis=0) for span in LONG_SPANS], axis=0) + log_rare
    order = [int(k) for k in np.argsort(-best, kind="stable") if best[k] > -MARGIN]
    return order[:MOST]


def log_rarity(onset: Doubles, which: Sequence[int]) -> Doubles:
    """How seldom such a stretch of these begins, in log units a tick."""
    return np.asarray(np.log(onset[list(which)] * SELDOMER))


class SomeLate(Struct, frozen=True, kw_only=True):
    """Log-likelihoods (ticks,) that some packets are late and no more: by element whose fault that may be,
    and of what has such minutes without one."""

    faults: Mapping[int, Doubles]
    usual: Sequence[Doubles]


def some_late(
    evidence: Evidence,
    columns: ElementColumns,
    minor: Singles,
    *,
    none: float,
    quiet: Doubles,
    onset: Doubles,
    step_s: float,
) -> SomeLate:
    """Who competes so in a stretch. none, quiet: see `transients`; onset: chance a tick, by element."""
    small = small_log(minor, none, lasting=True)
    often = np.log(np.full(len(columns.late_usually), step_s / USUAL_LATE_EACH_S))
    found = []
    for which, rare in (
        (columns.may_be_late, log_rarity(onset, columns.may_be_late)),
        (columns.late_usually, often),
    ):
        log = stretch_log(evidence, columns, which, small=small, quiet=quiet)
        found.append({which[k]: log[:, k] for k in competing(log, quiet, rare)})
    return SomeLate(faults=found[0], usual=tuple(found[1].values()))
