"""Window tables for tests: quiet ones drawn with a seed, then disturbed where an element says so."""

from collections.abc import Sequence

import numpy as np

from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.windows.table import WindowTable, empty_table
from whichhop.model import Home, Reading, Session, derive_sessions
from whichhop.model.units import NS_PER_S

START_NS = 1_767_268_800 * NS_PER_S


def quiet(home: Home, ticks: int, *, seed: int = 1, noise_s: float = 0.0004) -> WindowTable:
    """Ten packets a tick and session, all answered, a few ms a link with normal noise on top."""
    sessions = derive_sessions(home)
    table = empty_table([s.key for s in sessions], START_NS, ticks)
    rng = np.random.default_rng(seed)
    usual = np.array([0.002 * len(s.path.links) for s in sessions])
    noise = np.abs(rng.normal(0.0, noise_s, (ticks, len(sessions))))
    table.sent[:] = 10
    table.q50_s[:] = usual + noise
    table.q80_s[:] = usual + 1.5 * noise + 0.0002
    return table


def disturb(
    table: WindowTable,
    home: Home,
    element: str,
    ticks: slice,
    *,
    delay_s: float = 0.0,
    lost: int = 0,
) -> WindowTable:
    """Delay what crosses an element in these ticks, and lose `lost` of its ten packets; in place."""
    sessions = derive_sessions(home)
    found = next(e for e in elements_of(home, sessions) if e.name == element)
    column = sorted(found.column)
    table.q50_s[ticks, column] += delay_s
    table.q80_s[ticks, column] += delay_s
    table.lost[ticks, column] = np.minimum(10, table.lost[ticks, column] + lost)
    if lost > 7:
        table.q50_s[ticks, column] = np.nan
        table.q80_s[ticks, column] = np.nan
    return table


def full_line(readings: int, first: int, end: int) -> list[Reading]:
    """Attic's counter of 20 Mbit/s up, a reading a tick: 97 % used in ticks first..end-1, else 1 %."""
    ticks = np.arange(-1, readings)
    value = np.cumsum(np.where((ticks >= first - 1) & (ticks < end), 0.97, 0.01)) * 20_000_000 / 8 * 10
    return [
        Reading(at_ns=START_NS + t * 10 * NS_PER_S, agent="attic", name="wan_tx_bytes", value=float(v))
        for t, v in zip(range(readings), value, strict=False)
    ]


def named(sessions: Sequence[Session], text: str) -> int:
    """The place of the session that is written so."""
    return [str(s.key) for s in sessions].index(text)
