"""Machines that ran late themselves while all that begins or ends at them was slow: named with their link."""

from collections.abc import Sequence

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.scan import Scan
from whichhop.compare.suspects.elements import HOME_SIDE, Element, Nature
from whichhop.compare.suspects.priors import PRIORS
from whichhop.compare.verdict.verdict import FoundEpisode
from whichhop.compare.windows.reporting import LATE_GRID_S, Reporting
from whichhop.compare.windows.table import WindowTable

LATE_S = LATE_GRID_S[1]
"""From here on a machine may delay packets by what is looked for."""
TWICE = 2.0
"""So much later than at other times it must run: some machines are always late, and well."""
CHANCE = 0.05
"""How often a machine that is well runs so late just while its link is slow; common practice."""
MOST_LOSS = 0.05
"""What loses more than this is no machine that merely runs late: late packets come; common practice."""


def late_machines(late_s: NDArray[np.float32], agents: Sequence[str], first: int, end: int) -> frozenset[str]:
    """The agents whose program ran late in half of these ticks, and later than in those before and after.

    late_s: (ticks, agents), how late at the worst by its own readings, NaN where none tells.
    """
    inside, outside = late_s[first:end], np.concatenate([late_s[:first], late_s[end:]])
    out = set()
    for j, agent in enumerate(agents):
        here, else_where = (part[np.isfinite(part[:, j]), j] for part in (inside, outside))
        if 2 * here.size < len(inside) or not here.size:
            continue
        usual = float(np.median(else_where)) if else_where.size else 0.0
        if float(np.median(here)) >= max(LATE_S, TWICE * usual):
            out.add(agent)
    return frozenset(out)


def with_machines_late(
    done: Scan, elements: Sequence[Element], reporting: Reporting, found: FoundEpisode
) -> FoundEpisode:
    """The same of an episode of a history, whose machines ran late when it was there and not otherwise."""
    first, end = found.span.first, found.span.end
    late = late_machines(reporting.late_s, reporting.agents, first, end)
    return with_late_machines(elements, found, done.table.span(first, end), done.speaks[first:end], late)


def with_late_machines(
    elements: Sequence[Element],
    found: FoundEpisode,
    table: WindowTable,
    speaks: NDArray[np.bool_],
    late: frozenset[str],
) -> FoundEpisode:
    """The group with the machines that ran late, where every session that shows it begins or ends at one.

    A machine's lateness is in what it asks and in what it answers, so that its link, or with several the box
    that joins them, meets the same packets: only the machines' readings tell them apart. table, speaks: the
    episode's ticks.
    """
    lead = elements[found.members[0]]
    if lead.nature not in HOME_SIDE or lead.nature is Nature.HOST or not late:
        return found
    heard = frozenset(np.flatnonzero(speaks.any(axis=0)).tolist())
    column = lead.column & heard
    hosts = [
        j
        for j, e in enumerate(elements)
        if e.nature is Nature.HOST
        and j not in found.members
        and e.name.partition(":")[2] in late
        and e.column & heard
        and e.column & heard <= column
    ]
    names = {elements[j].name.partition(":")[2] for j in hosts}
    if not all({table.sessions[i].agent, table.sessions[i].target} & names for i in column):
        return found
    sent, lost = (np.where(speaks, part, 0)[:, sorted(column)].sum() for part in (table.sent, table.lost))
    if not hosts or lost > MOST_LOSS * sent:
        return found
    weights = [_often(Nature.HOST) / CHANCE / len(hosts)] * len(hosts)
    whole = found.shares[0] / _often(lead.nature)
    members = [*found.members, *hosts]
    shares = np.array([*found.shares, *(w * whole for w in weights)])
    shares *= sum(found.shares) / shares.sum()
    order = np.argsort(-shares, kind="stable")
    return replace(
        found,
        members=tuple(members[i] for i in order),
        shares=tuple(float(shares[i]) for i in order),
    )


def _often(nature: Nature) -> float:
    """Faults an hour that delay."""
    prior = PRIORS[nature]
    return (prior.delay + prior.both) / prior.mean_hours
