"""How well each element alone explains each tick, by the sessions that cross it."""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Floats
from whichhop.compare.inference.held_size import held
from whichhop.compare.inference.likelihood import DELAYS_S, LOSSES, Evidence
from whichhop.compare.suspects.elements import HOME_SIDE, Element, Nature
from whichhop.compare.suspects.priors import (
    CALM_LEAST_S,
    LEAST_SPREADS,
    PRIORS,
    RADIO_LEAST_LOSS,
    RADIO_LEAST_S,
    SWAY_LEAST_S,
    Prior,
)

TICK_MIX = (0.4, 0.3, 0.3)
"""In a tick a fault only delays, only loses, or does both: near even, as little is known of it.
Swept: a third each, and 0.2, 0.2, 0.6, gave the same figures (tests/suite/results/tries.md)."""
SHAPES = ((1, 0, TICK_MIX[0]), (0, 1, TICK_MIX[1]), (1, 1, TICK_MIX[2]))
TAIL_SHARE = 0.15
"""Of a fault's ticks those in which a share of the packets is slow and nothing else: fewer than any of the
three above, and never so few that a long bad stretch is not named."""
LOWEST = np.float32(-60.0)
"""A log-ratio's floor, so that nothing becomes impossible."""
REFUSES_ONE = 0.3
"""Of boxes that do not answer those that turn away one asker and answer the rest, as boxes do that limit
their answers (common practice). It weighs a factor of three a tick, little beside ten lost packets."""
DOZING_S = 0.6
"""Power save holds an answer back for up to three beacon intervals of 102 ms (common practice)."""
ASKED = (Nature.DESTINATION, Nature.REPLY, Nature.RESOLVER)
"""What is asked itself: nothing on the way to it is slow for one asker's packets and not for another's."""
BEHIND_RADIO = frozenset(Nature) - {Nature.RADIO, Nature.BACKHAUL, Nature.ETHERNET}
"""What may be seen through radio hops alone, the line and what lies past it included."""


class ElementColumns(Struct, frozen=True, kw_only=True):
    """The routing matrix in numbers.

    matrix: (sessions, elements), 1 where the session crosses. twice: likewise, where it crosses two times;
    doubled: the elements that have such sessions.
    delays: (len(DELAYS_S), elements), which added delays count as a fault of the element; losses likewise.
    Smaller ones are minor: natural for it, and no fault; they are looked for where the grid has any.
    """

    matrix: Floats
    twice: Floats
    doubled: tuple[int, ...]
    delays: NDArray[np.bool_]
    losses: NDArray[np.bool_]
    priors: tuple[Prior, ...]
    agents: NDArray[np.bool_]
    """(agents, sessions), True for an agent's own sessions."""
    tails: NDArray[np.bool_]
    """(elements,), True for those of which slow packets alone may be a fault: a line has them in use."""
    may_be_late: tuple[int, ...]
    """(some,) of those, one of each column."""
    late_usually: tuple[int, ...]
    """(some,), of what has them without a fault, likewise."""
    dozes: NDArray[np.bool_]
    """(elements,), True for those whose lateness may be the waking of a radio; see `Element.dozes`."""
    sleepy: NDArray[np.bool_]
    """(sessions,), True for those of agents on radio, whose lateness may be their own radio's waking."""
    to_sleepy: NDArray[np.bool_]
    """(sessions,), True for those that ask an agent on radio, which answers some of them after its sleep."""
    answers: tuple[int, ...]
    """The elements that are a box's answers to several askers."""
    dozes_alone: NDArray[np.bool_]
    """(agents, elements), True for what else may be a radio's waking while this agent alone is heard."""
    past_radio: NDArray[np.bool_]
    """(agents, elements), True for what an agent on radio asks only a part of its targets through."""
    targets: NDArray[np.bool_]
    """(elements,), True for what is asked, apart from the way to it."""
    by_radio: NDArray[np.bool_]
    """(elements,), True for radios and what is only seen through them: their least delay is the radio's."""

    @property
    def minor(self) -> NDArray[np.bool_]:
        """Which elements have a minor excess."""
        return np.asarray(~self.delays[0])


def interpolation(grid: NDArray[np.floating], values: NDArray[np.floating]) -> NDArray[np.float32]:
    """Weights (values, grid) that read a table at other values; outside the grid its end is taken."""
    flat = np.clip(values.reshape(-1), grid[0], grid[-1])
    high = np.clip(np.searchsorted(grid, flat), 1, len(grid) - 1)
    part = (flat - grid[high - 1]) / (grid[high] - grid[high - 1])
    out = np.zeros((flat.size, len(grid)), dtype=np.float32)
    rows = np.arange(flat.size)
    out[rows, high - 1] = 1.0 - part
    out[rows, high] = part
    return out


DELAY_TWICE = interpolation(DELAYS_S, 2.0 * DELAYS_S)
LOSS_TWICE = interpolation(LOSSES, 1.0 - (1.0 - LOSSES) ** 2)
"""Who meets an excess twice has twice the delay, and survives twice."""


def columns_of(elements: Sequence[Element], sessions: int) -> ElementColumns:
    """The columns of these elements over `sessions` sessions."""
    radio = frozenset[int]().union(
        *(e.column for e in elements if e.nature in (Nature.RADIO, Nature.BACKHAUL))
    )
    matrix = np.zeros((sessions, len(elements)), dtype=np.float32)
    twice = np.zeros_like(matrix)
    for j, element in enumerate(elements):
        matrix[list(element.column), j] = 1.0
        twice[list(element.twice), j] = 1.0
    priors = tuple(PRIORS[e.nature] for e in elements)
    # What is only seen through radio hops must not be blamed for less than those may be.
    # Nor may what is only seen over a line by radio, the cable to its modem included.
    swaying = frozenset[int]().union(*(e.column for e in elements if e.sways))
    all_of_it = np.array([bool(swaying) and e.column == swaying for e in elements], dtype=bool)
    behind = np.array(
        [(e.nature in BEHIND_RADIO and e.column <= radio) or e.column <= swaying for e in elements],
        dtype=bool,
    )
    least = np.where(behind, RADIO_LEAST_S, [p.least_delay_s for p in priors])
    # Nobody who crosses such a line stays well when it sways: no other tells that sway from a fault.
    least = np.where(all_of_it, SWAY_LEAST_S, least)
    # A device that dozes between packets answers late, and nothing is wrong with it.
    dozes = np.array([e.dozes for e in elements], dtype=bool)
    least = np.where(dozes, DOZING_S, least)
    tails = _tails(elements) & ~dozes
    least_loss = np.where(behind, RADIO_LEAST_LOSS, [p.least_loss for p in priors])
    most_loss = np.array([p.most_loss for p in priors])
    return ElementColumns(
        matrix=matrix,
        twice=twice,
        doubled=tuple(j for j, e in enumerate(elements) if e.twice),
        delays=DELAYS_S[:, None] >= least[None, :] - 1e-6,
        losses=(LOSSES[:, None] >= least_loss[None, :] - 1e-6) & (LOSSES[:, None] <= most_loss[None, :]),
        priors=priors,
        agents=_agents(elements, sessions),
        tails=tails,
        may_be_late=_one_of_each(elements, tails),
        late_usually=_one_of_each(elements, ~tails & ~dozes),
        dozes=dozes,
        sleepy=_sleepy(elements, sessions),
        to_sleepy=_to_sleepy(elements, sessions),
        answers=tuple(j for j, e in enumerate(elements) if e.nature is Nature.REPLY and len(e.column) > 1),
        dozes_alone=_dozes_alone(elements),
        past_radio=_past_radio(elements),
        targets=np.array([e.nature in ASKED for e in elements], dtype=bool),
        by_radio=~dozes & (least == RADIO_LEAST_S),
    )


def fitted(columns: ElementColumns, scale80: Floats) -> ElementColumns:
    """The columns with the least delay of each radio as its own spread allows; see `CALM_LEAST_S`.

    scale80: (sessions,) seconds, what is usual of each session; of a radio the median over those that cross.
    """
    which = np.flatnonzero(columns.by_radio)
    if not which.size:
        return columns
    crossing = np.where(columns.matrix[:, which] > 0, scale80[:, None], np.inf)
    count = np.maximum((columns.matrix[:, which] > 0).sum(axis=0), 1)
    middle = np.sort(crossing, axis=0)[(count - 1) // 2, np.arange(which.size)]
    calm = which[LEAST_SPREADS * middle <= CALM_LEAST_S]
    delays = columns.delays.copy()
    delays[:, calm] = DELAYS_S[:, None] >= CALM_LEAST_S - 1e-6
    return replace(columns, delays=delays)


def with_tails(
    plain: Floats, minor: Floats, evidence: Evidence, columns: ElementColumns
) -> tuple[Floats, Floats]:
    """Log-ratios of one element at fault, (ticks, elements), when slow packets alone may be its fault too.

    The second are those of slow packets where they are usual, LOWEST elsewhere and of what may be waking.
    minor: those of an excess too small to be a fault by itself; a bad radio has both.
    """
    sums = np.matmul(evidence.tail, columns.matrix)
    slow = log_mean(sums, np.ones((len(sums), sums.shape[2]), dtype=bool))
    slow += np.logaddexp(np.float32(0.0), minor) - np.float32(np.log(2.0))
    slow = np.where(columns.dozes, LOWEST, slow).astype(np.float32)
    shares = np.where(columns.tails, np.float32(TAIL_SHARE), np.float32(0.0))
    with np.errstate(divide="ignore"):
        fault = np.logaddexp(plain + np.log1p(-shares), slow + np.log(shares)).astype(np.float32)
    return fault, np.where(columns.tails, LOWEST, slow)


def _tails(elements: Sequence[Element]) -> NDArray[np.bool_]:
    """Of what is in the home, where a session crosses it and nothing that has slow packets anyway."""
    usual = [e.column for e in elements if e.nature not in HOME_SIDE]
    return np.array(
        [e.nature in HOME_SIDE and not any(e.column <= other for other in usual) for e in elements],
        dtype=bool,
    )


def _one_of_each(elements: Sequence[Element], which: NDArray[np.bool_]) -> tuple[int, ...]:
    columns: dict[frozenset[int], int] = {}
    for j in sorted(np.flatnonzero(which).tolist(), key=lambda j: PRIORS[elements[j].nature].mean_hours):
        columns.setdefault(elements[j].column, j)
    return tuple(columns.values())


def _sleepy(elements: Sequence[Element], sessions: int) -> NDArray[np.bool_]:
    out = np.zeros(sessions, dtype=bool)
    for host in elements:
        if host.nature is Nature.HOST and _on_radio(host, elements):
            out[list(host.column)] = True
    return out


def _to_sleepy(elements: Sequence[Element], sessions: int) -> NDArray[np.bool_]:
    asleep = {
        e.name.partition(":")[2] for e in elements if e.nature is Nature.HOST and _on_radio(e, elements)
    }
    out = np.zeros(sessions, dtype=bool)
    for element in elements:
        if element.nature is Nature.REPLY and element.dozes and element.name.partition(":")[2] in asleep:
            out[list(element.column)] = True
    return out


def _on_radio(host: Element, elements: Sequence[Element]) -> bool:
    """Whether an agent is on radio: all that it asks then crosses its one radio link."""
    return any(host.column <= e.column for e in elements if e.nature is Nature.RADIO)


def _dozes_alone(elements: Sequence[Element]) -> NDArray[np.bool_]:
    """As for a lone device on radio: nobody else can say that its target was well (`Element.dozes`)."""
    hosts = [e for e in elements if e.nature is Nature.HOST]
    lookups = frozenset[int]().union(*(e.column for e in elements if e.nature is Nature.RESOLVER))
    out = np.zeros((len(hosts), len(elements)), dtype=bool)
    for i, host in enumerate(hosts):
        if not _on_radio(host, elements):
            continue
        for j, element in enumerate(elements):
            own = element.column & host.column
            few = len(own if element.nature is Nature.RESOLVER else own - lookups) <= 1
            whole = element.nature in (Nature.REPLY, Nature.DESTINATION)
            out[i, j] = whole or (element.nature in (Nature.RESOLVER, Nature.BEYOND) and few)
    return out


def _past_radio(elements: Sequence[Element]) -> NDArray[np.bool_]:
    hosts = [e for e in elements if e.nature is Nature.HOST]
    out = np.zeros((len(hosts), len(elements)), dtype=bool)
    for row, host in zip(out, hosts, strict=True):
        if _on_radio(host, elements):
            row[:] = [not host.column <= e.column for e in elements]
    return out


def _agents(elements: Sequence[Element], sessions: int) -> NDArray[np.bool_]:
    hosts = [e for e in elements if e.nature is Nature.HOST]
    out = np.zeros((len(hosts), sessions), dtype=bool)
    for row, host in zip(out, hosts, strict=True):
        row[list(host.column)] = True
    return out


def log_mean(values: Floats, allowed: NDArray[np.bool_]) -> Floats:
    """Log of the mean of exp over the first axis (grid, ticks, elements), allowed (grid, elements).

    What is not allowed counts as impossible but stays in the divisor: an element that can do less must not
    thereby explain each tick better.
    """
    count = np.float32(values.shape[0])
    values = np.where(allowed[:, None, :], values, -np.float32(np.inf))
    top = np.maximum(values.max(axis=0), LOWEST)
    values -= top
    total = np.exp(values, out=values).sum(axis=0)
    with np.errstate(divide="ignore"):
        return np.asarray(np.maximum(np.log(total / count) + top, LOWEST), dtype=np.float32)


def _held_mean(values: Floats, allowed: NDArray[np.bool_]) -> Floats:
    """The same where a delay may be what it was before."""
    out = np.empty(values.shape[1:], dtype=np.float32)
    kinds = np.unique(allowed, axis=1)
    for kind in kinds.T:
        which = np.flatnonzero((allowed == kind[:, None]).all(axis=0))
        some = values[kind][:, :, which].transpose(0, 2, 1)
        nobody = np.zeros(some.shape[1:], dtype=np.float32)
        out[:, which] = held(some, nobody, values.shape[0], LOWEST).T
    return out


def part_sums(evidence: Evidence, columns: ElementColumns) -> tuple[Floats, Floats]:
    """Evidence summed over each element's sessions: (len(DELAYS_S), ticks, elements), and for LOSSES."""
    sums = np.matmul(evidence.delay, columns.matrix), np.matmul(evidence.loss, columns.matrix)
    if columns.doubled:
        some = columns.twice[:, list(columns.doubled)]
        for total, table, weights in zip(
            sums, (evidence.delay, evidence.loss), (DELAY_TWICE, LOSS_TWICE), strict=True
        ):
            part = np.matmul(table, some)
            total[:, :, list(columns.doubled)] += (
                np.tensordot(weights, part, axes=(1, 0)).astype(np.float32) - part
            )
    return sums


def part_evidence(
    sums: tuple[Floats, Floats], evidence: Evidence, columns: ElementColumns, *, lasting: bool = False
) -> tuple[Floats, Floats]:
    """Per tick and element the log-ratio that all its sessions are delayed, and that all lose packets.

    A box may also turn away one asker of several. lasting: a delay may be what it was before.
    """
    loss = log_mean(sums[1], columns.losses)
    for j in columns.answers:
        own = np.flatnonzero(columns.matrix[:, j])
        each = log_mean(evidence.loss[:, :, own], np.repeat(columns.losses[:, j, None], own.size, axis=1))
        one = np.logaddexp.reduce(each, axis=1) - np.float32(np.log(own.size / REFUSES_ONE))
        loss[:, j] = np.logaddexp(loss[:, j] + np.float32(np.log1p(-REFUSES_ONE)), one)
    delay = (_held_mean if lasting else log_mean)(sums[0], columns.delays)
    delay[unanswered(sums)] = 0.0
    return delay, loss


def unanswered(sums: tuple[Floats, Floats]) -> NDArray[np.bool_]:
    """(ticks, elements), True where packets tell of an element's loss and none of its delay.

    Nobody answers in an outage: what can delay less than others must not be less likely for it each tick.
    """
    return np.asarray(~sums[0].any(axis=0) & sums[1].any(axis=0))


def minor_evidence(sums: tuple[Floats, Floats], columns: ElementColumns) -> Floats:
    """Log-ratio per tick and element of an excess too small to be a fault; LOWEST where there is none."""
    which = columns.minor
    out = np.full(sums[0].shape[1:], LOWEST, dtype=np.float32)
    if which.any():
        grids = [int((~g[:, which]).sum(axis=0).max()) for g in (columns.delays, columns.losses)]
        small = [np.ascontiguousarray(s[: max(1, g)][:, :, which]) for s, g in zip(sums, grids, strict=True)]
        under = [~columns.delays[: grids[0], which], ~columns.losses[: max(1, grids[1]), which]]
        out[:, which] = mixed(log_mean(small[0], under[0]), log_mean(small[1], under[1]))
    return out


def mixed(delay: Floats, loss: Floats) -> Floats:
    """Log-ratio per tick and element when a fault may in any tick delay, lose or both.

    The mix is the same for all elements: what shape an element's faults have is a matter of the whole
    episode (see `shapes`), and must not be counted anew in each tick.
    """
    mix = np.log(np.array(TICK_MIX, dtype=np.float32))
    first = np.logaddexp(delay + mix[0], loss + mix[1])
    return np.asarray(np.logaddexp(first, delay + loss + mix[2]), dtype=np.float32)
