"""Finds sessions that are late all by themselves, as those are whose packets wake a dozing radio."""

import numpy as np
from numpy.typing import NDArray

LEVELS_S = ((0.016, 0.006), (0.050, 0.020))
"""Late from here on, clean below: what comes and goes on any radio, and what a wake-up of one takes.

A session is late against others whose own noise is well under its lateness, name lookups too.
"""
LATE_SIGMAS = 4.0
"""A normal deviate is so far out three times in 100 000, less than once a day and session in ticks of 10 s.
Halved one false verdict went, doubled nothing changed (tests/suite/results/priors.md)."""

Mask = NDArray[np.bool_]


def late_alone(
    over: NDArray[np.floating],
    scale: NDArray[np.floating],
    matrix: NDArray[np.float32],
    agents: Mask,
) -> Mask:
    """Which sessions' lateness no element explains, (ticks, sessions).

    over: (ticks, sessions) 80 % quantile above its location in seconds, NaN where a session is silent.
    scale: (sessions,) its ordinary spread. matrix: (sessions, elements), 1 where a session crosses.
    agents: (agents, sessions), True for an agent's own.

    An element is cleared in a tick when at least as many of its sessions are clean as are late. A late
    session all of whose elements are cleared is late alone: what delays it is between its agent and nobody
    else. An agent with such a session dozes. Its other late sessions are late alone too, unless an agent that
    does not doze is late over the same uncleared element.
    """
    out = np.zeros(over.shape, dtype=bool)
    for late_s, clean_s in LEVELS_S:
        with np.errstate(invalid="ignore"):
            late = over > np.maximum(late_s, LATE_SIGMAS * scale)
            rows = np.flatnonzero(late.any(axis=1))
            if rows.size:
                out[rows] |= _odd(late[rows], over[rows] < clean_s, matrix, agents)
    return out


def _odd(late: Mask, clean: Mask, matrix: NDArray[np.float32], agents: Mask) -> Mask:
    guilty = clean.astype(np.float32) @ matrix < late.astype(np.float32) @ matrix
    alone = late & (guilty.astype(np.float32) @ matrix.T == 0)
    owned = agents.astype(np.float32)
    dozes = ((alone.astype(np.float32) @ owned.T) > 0).astype(np.float32) @ owned > 0
    rows = np.flatnonzero(dozes.any(axis=1))
    if rows.size:
        witness = (late & ~dozes)[rows].astype(np.float32) @ matrix > 0
        seen = (guilty[rows] & witness).astype(np.float32) @ matrix.T > 0
        alone[rows] |= late[rows] & dozes[rows] & ~seen
    return np.asarray(alone)
