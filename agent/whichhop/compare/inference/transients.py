"""What is no fault: one-tick blips at a learnt rate, excess too small to matter, one session late alone."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.evidence import LOWEST
from whichhop.compare.suspects.priors import Prior

BLIP_LOG_RATIO = 3.0
"""An excess is counted once it explains a tick 20 times (e^3) better than none does.
Swept: 1.5 and 6 gave the same figures (tests/suite/results/tries.md)."""
PRIOR_TICKS = 2000.0
"""The default rate weighs as much as this many ticks of past: 16 blips of a radio, a count with a relative
standard error of 25 %."""
MINOR_RATE = 0.02
"""Chance a tick that an element which may have a minor excess has one (common practice: busy air)."""
LOG_MINOR = float(np.log(MINOR_RATE))
LASTING_RATE = 0.001
LASTING_TICKS = 12.0
"""Chance a tick that an element's minor excess begins to last, and for how many ticks it does: once in three
hours, for two minutes. Both are swept (tests/suite/results/tries.md)."""
PASSES_ON = 0.2
"""Chance that a passing loss is in the next tick too. Derived: what passes takes 0.3 to 6 s (common
practice), a mean of 1.9 s where its logarithm is even (`strong.PASSES_S`), and that crosses an edge of ticks
of 10 s in 19 of 100. Two bad moments of a radio that did so were told as a fault of minutes."""
MOST_PASSING_S = 4.0
"""Seconds' worth of packets that a passing loss takes at the most: roaming gaps last 0.3 to 4 s, and of what
is sent again for longer half gets through (common practice)."""
MOST_LOG = 600.0
"""Derived: e to this power is still a double, and 20 times more than any tick says."""
LOG_USUAL_SLOW = float(np.log(0.3))
"""Odds that what lies past the home has slow packets in a tick, or a box that answers when it has time: a
line in use has the 99th percentile at three times its median (measured)."""


class BlipRates:
    """Counts isolated excesses per element; the rate stays between a third of the default and a cap."""

    def __init__(self, priors: Sequence[Prior], step_s: float) -> None:
        scale = step_s / 10.0
        self._default = np.array([p.blip for p in priors]) * scale
        self._cap = np.array([p.blip_cap for p in priors]) * scale
        self._seen = np.zeros(len(priors))
        self._ticks = 0.0

    def rates(self) -> NDArray[np.float64]:
        """Chance of a blip per tick and element, as learnt so far."""
        rate = (self._seen + PRIOR_TICKS * self._default) / (self._ticks + PRIOR_TICKS)
        return np.clip(rate, self._default / 3.0, self._cap)

    def learn(self, ratios: Floats) -> None:
        """Take in log-ratios, shape (ticks, elements); only ticks whose neighbours are calm count.

        In each such tick the best explanation alone is charged.
        """
        if ratios.shape[0] < 3:
            return
        top = ratios.max(axis=1)
        loud = top > BLIP_LOG_RATIO
        alone = loud.copy()
        alone[1:] &= ~loud[:-1]
        alone[:-1] &= ~loud[1:]
        best = ratios.argmax(axis=1)
        self._seen += np.bincount(best[alone], minlength=ratios.shape[1])
        self._ticks += ratios.shape[0]


def passing_log(
    ratios: Floats, minor: Floats, rates: NDArray[np.float64], slow: Floats | None = None
) -> Floats:
    """Log of chance times likelihood ratio, per tick and element, that it has a passing excess.

    slow: log-ratios of slow packets where they are usual; LOWEST elsewhere.
    """
    blip = ratios + np.log(rates).astype(np.float32)
    small = np.where(minor > LOWEST, minor + np.float32(LOG_MINOR), -np.float32(np.inf))
    if slow is not None:
        small = np.logaddexp(small, slow + np.float32(LOG_USUAL_SLOW))
    return np.asarray(np.logaddexp(blip, small), dtype=np.float32)


def none_log(minor: NDArray[np.bool_], rates: NDArray[np.float64]) -> float:
    """Log chance that no element has a passing excess."""
    return float(np.log1p(-rates).sum() + np.log1p(-MINOR_RATE) * minor.sum())


def quiet_log(passing: Floats, none: float) -> NDArray[np.float64]:
    """Log-likelihood per tick of "no fault", in which any one element may still have a passing excess."""
    top = np.maximum(passing.max(axis=1), np.float32(none))
    total = np.exp(passing - top[:, None]).sum(axis=1) + np.exp(none - top)
    return np.asarray(np.log(total) + top, dtype=np.float64)


def any_log(parts: Sequence[NDArray[np.floating]]) -> NDArray[np.float64]:
    """Log of the sum of exp of log-likelihoods per tick, in less work than numpy reduces by logaddexp."""
    every = np.array(parts, dtype=np.float64)
    top = every.max(axis=0)
    every -= top
    return np.asarray(np.log(np.exp(every, out=every).sum(axis=0)) + top)


def lasting_log(quiet: NDArray[np.float64], minor: Floats, none: float) -> NDArray[np.float64]:
    """Log-likelihood per tick of "no fault", in which one element's minor excess may last for minutes.

    quiet: (ticks,) as `quiet_log` has it, where each tick's excess is a matter of its own. minor: (ticks,
    elements), LOWEST where an element has none. A chain of two kinds of states, forward in time: nobody's
    excess lasts, or this element's does.
    """
    which = np.flatnonzero((minor > LOWEST).any(axis=0))
    if not which.size:
        return quiet
    likely = np.exp(np.minimum(minor[:, which].astype(np.float64) + (none - quiet[:, None]), MOST_LOG))
    begins, ends = LASTING_RATE, 1.0 / LASTING_TICKS
    calm, lasts = 1.0, np.zeros(which.size)
    out = np.empty(quiet.size)
    for t in range(quiet.size):
        lasts = (lasts * (1.0 - ends) + calm * begins) * likely[t]
        calm = calm * (1.0 - begins * which.size) + (1.0 - calm) * ends
        total = calm + lasts.sum()
        out[t] = np.log(total)
        calm, lasts = calm / total, lasts / total
    return quiet + out


def passes_on(
    lost_share: NDArray[np.floating], losing: NDArray[np.bool_], late: NDArray[np.bool_], step_s: float
) -> NDArray[np.bool_]:
    """Where the loss of an element may be that of the tick before, gone on: (ticks, elements).

    lost_share: of its packets, likewise. losing, late: where loss, and delay, explains them better than none:
    what makes most packets of two ticks late has not passed in seconds.
    """
    out = np.zeros(losing.shape, dtype=bool)
    brief = (lost_share[1:] + lost_share[:-1]) * step_s <= MOST_PASSING_S
    out[1:] = losing[1:] & losing[:-1] & brief & ~(late[1:] & late[:-1])
    return out


Passed = tuple[NDArray[np.floating], NDArray[np.floating], NDArray[np.bool_]]
"""Of what may pass, (ticks,) each: log-likelihood that it begins in this tick, that it is there, and where it
may have gone on from the tick before."""


def passing_on_log(whole: NDArray[np.float64], passed: Sequence[Passed]) -> NDArray[np.float64]:
    """Log-likelihood per tick in which what passed in the tick before may be there still.

    whole: (ticks,) without that.
    """
    out = whole.copy()
    rows = np.flatnonzero(np.any([may for _, _, may in passed], axis=0)) if passed else ()
    for t in rows:
        goes_on = [begins[t - 1] - out[t - 1] + there[t] for begins, there, may in passed if may[t]]
        out[t] = np.logaddexp.reduce([out[t], *(part + np.log(PASSES_ON) for part in goes_on)])
    return out


LEVELS_S = ((0.016, 0.006), (0.050, 0.020))
"""Late from here on, clean below: what comes and goes on any radio, and what a wake-up of one takes.

A session is late against others whose own noise is well under its lateness, name lookups too.
"""
LATE_SIGMAS = 4.0
"""A normal deviate is so far out three times in 100 000, less than once a day and session in ticks of 10 s.
Halved one false verdict went, doubled nothing changed (tests/suite/results/priors.md)."""
WITNESS_SIGMAS = 2.0
"""Whose noise is so large against a lateness would hide it, by a normal deviate's table, once in 44 ticks."""

Mask = NDArray[np.bool_]


def late_alone(
    over: NDArray[np.floating],
    scale: NDArray[np.floating],
    matrix: NDArray[np.float32],
    agents: Mask,
    *,
    sleepy: Mask | None = None,
    targets: Mask | None = None,
    every: bool = False,
) -> Mask:
    """Which sessions' lateness no element explains, (ticks, sessions).

    over: (ticks, sessions) 80 % quantile above its location in seconds, NaN where a session is silent.
    scale: its ordinary spread, (sessions,) or by tick too. matrix: (sessions, elements), 1 where a session
    crosses. agents: (agents, sessions), True for an agent's own. sleepy: (sessions,), True for those of
    agents on radio. targets: (elements,), True for what is asked, apart from the way to it.

    An element is cleared in a tick when at least as many of its sessions are clean as are late for no reason
    elsewhere (an element all of whose sessions are late); with `every` by a single clean one, for where one
    radio alone asks, several of its sessions may wake it each time; and where all that are late are agents'
    on radio, by one clean session of an agent that is not, a target by one of any: several may doze at once.
    A late session all of whose elements are cleared is late alone: what delays it is between its agent and
    nobody else. An agent with such a session dozes. Its other late sessions are late alone too, unless an
    agent that does not doze is late over the same uncleared element; one on radio may doze unseen, where more
    do.
    """
    out = np.zeros(over.shape, dtype=bool)
    for late_s, clean_s in LEVELS_S:
        with np.errstate(invalid="ignore"):
            late = over > np.maximum(late_s, LATE_SIGMAS * scale)
            rows = np.flatnonzero(late.any(axis=1))
            if rows.size:
                # Whose own noise is as large as that lateness would not show it, and clears nobody.
                least = np.where(late, over, np.inf).min(axis=1, keepdims=True)
                clean = (over < clean_s) & (WITNESS_SIGMAS * scale < least)
                out[rows] |= _odd(late[rows], clean[rows], matrix, agents, (sleepy, targets), every=every)
    return out


def _odd(
    late: Mask,
    clean: Mask,
    matrix: NDArray[np.float32],
    agents: Mask,
    asleep: tuple[Mask | None, Mask | None],
    *,
    every: bool,
) -> Mask:
    sleepy, targets = asleep
    well, ill = clean.astype(np.float32) @ matrix, late.astype(np.float32) @ matrix
    guilty = (well == 0) & (ill > 0)
    if not every:
        # What a wholly late element explains is not held against another that it shares with clean ones.
        left = late & (guilty.astype(np.float32) @ matrix.T == 0)
        guilty |= well < left.astype(np.float32) @ matrix
    if sleepy is not None:
        awake = (~sleepy).astype(np.float32)[:, None] * matrix
        watched = late.astype(np.float32) @ awake > 0
        guilty &= (clean.astype(np.float32) @ awake == 0) | watched
        if targets is not None:
            guilty &= (well == 0) | watched | ~targets
    alone = late & (guilty.astype(np.float32) @ matrix.T == 0)
    owned = agents.astype(np.float32)
    dozes = ((alone.astype(np.float32) @ owned.T) > 0).astype(np.float32) @ owned > 0
    rows = np.flatnonzero(dozes.any(axis=1))
    if rows.size:
        others = (late & ~dozes)[rows].astype(np.float32) @ matrix
        witness = others > 0
        if sleepy is not None and targets is not None:
            fewer = others < (late & dozes)[rows].astype(np.float32) @ matrix
            witness &= watched[rows] | ~targets | ~fewer
        seen = (guilty[rows] & witness).astype(np.float32) @ matrix.T > 0
        alone[rows] |= late[rows] & dozes[rows] & ~seen
    return np.asarray(alone)
