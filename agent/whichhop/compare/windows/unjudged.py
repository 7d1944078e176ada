"""How long each agent was no witness while the home was measured. Pure."""

import numpy as np

from whichhop.compare.windows.reporting import Reporting
from whichhop.compare.windows.table import WindowTable
from whichhop.model.units import NS_PER_S


def unjudged_s(alibi: Reporting, table: WindowTable) -> dict[str, float]:
    """Seconds of windows in which an agent was set aside, by agent; those without any are left out.

    Between an agent's first and last window only: what came before or after was never measured.
    """
    out: dict[str, float] = {}
    for column, agent in enumerate(alibi.agents):
        mine = [j for j, key in enumerate(table.sessions) if key.agent == agent]
        there = np.flatnonzero(table.sent[:, mine].any(axis=1) | table.aside[:, mine].any(axis=1))
        if there.size:
            count = np.count_nonzero(alibi.aside[there[0] + 1 : there[-1], column])
            if count:
                out[agent] = int(count) * table.step_ns / NS_PER_S
    return out
