"""What is strong is known by the second: has an excess gone on for longer than what passes by itself does?

The evidence is that of the ticks, on the same elements and grids, second by second. What passes by itself
(a roaming gap, a burst of retries, a scan) looks in each second just as a fault does, and is over in seconds:
so each element has both, and they differ in how often they begin and in how long they stay.
"""

from collections.abc import Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from whichhop.compare.inference.baseline import Baseline, Floats
from whichhop.compare.inference.evidence import (
    LOWEST,
    ElementColumns,
    log_mean,
    minor_evidence,
    mixed,
    part_sums,
)
from whichhop.compare.inference.filter import TINY
from whichhop.compare.inference.likelihood import (
    DELAYS_S,
    LOSSES,
    SCALE_GROWTH,
    TAILS,
    Evidence,
    leaky,
    loss_evidence,
    tail,
)
from whichhop.compare.inference.settings import Settings
from whichhop.compare.inference.transients import MINOR_RATE, late_alone
from whichhop.compare.windows.seconds import Seconds
from whichhop.model import Method

TICK_S = 10.0
"""The length of tick that the priors' rates are counted in; see `transients.BlipRates`."""
PASSES_S = 2.0
"""Mean length of what passes by itself: bursts of retries, scans and roaming gaps take 0.3 to 6 s (common
practice), which is a mean of 1.9 s where their logarithm is even."""
GAP_S = 1.5
"""Mean length of a passing outage: roaming gaps take 0.3 to 4 s (common practice), likewise 1.4 s."""
MINOR_S = 60.0
"""Mean length of an excess that is too small to be a fault: other stations' transfers (common practice)."""
OUTAGE_FROM = 4
"""Index in LOSSES of 80 %, since from there on nothing useful gets through."""
PASSING_OUTAGES, FAULT_OUTAGES = 0.03, 0.15
"""Shares of outages in what passes and in faults: of ten disturbances of a radio an hour one in forty is a
roaming gap; of faults one in six or seven is an outage. Orders of size, common practice."""
SPREAD = 1.19
"""Derived: a normal sample's 80 % point is 0.84 sigma above its median, so this makes a sigma of it."""
SURE = 0.95
"""A group's probability from which it is named. The slow ticks ask for 0.9 twice."""
SURE_SECONDS = 2
"""For so many seconds, so that one odd second names nobody, as two ticks open an episode."""
OVER_AT, OVER_SECONDS = 0.5, 3
"""It is over once it is likelier gone than not for three seconds."""
LEAST_SESSIONS = 2
"""One session's own second has a packet: what it does by itself is for the ticks, which know its ordinary
spread."""
MOST_SECONDS = 20
"""What takes longer to be sure of is not strong: two ticks say it as soon, and know more."""
LOUD = 6.0
"""A session outside of a group whose own evidence is beyond this (1 in 400) speaks for something else too:
then the seconds leave it to the ticks, which know pairs."""


class StrongSpan(Struct, frozen=True, kw_only=True):
    """Seconds first..end-1 of one strong excess, counted in the seconds that were looked at.

    members: indices of the elements that these seconds cannot tell apart, likeliest first; shares: their
    parts of the probability. detected: the second at whose end enough was known. outage: nothing got
    through. lasting: no end in sight.
    """

    members: tuple[int, ...]
    shares: tuple[float, ...]
    first: int
    end: int
    detected: int
    probability: float
    outage: bool
    lasting: bool


def second_evidence(
    seconds: Seconds, speaks: NDArray[np.bool_], base: Baseline, columns: ElementColumns, settings: Settings
) -> Evidence:
    """Evidence of each second against the ticks' baseline; 0 where a session does not speak.

    A name lookup's own second says nothing of delay: one in seven is asked for again, tens of milliseconds
    later, and nothing is wrong.
    """
    speaks = speaks & np.isfinite(base.loc50) & (seconds.sent > 0)
    asked = np.array([key.method is not Method.LOOKUP for key in seconds.sessions], dtype=bool)
    rtt = np.where(speaks & asked, seconds.rtt_s, np.nan).astype(np.float32)
    # A second has a packet or a few, whose spread is that of packets and not of a tick's median.
    scale = np.fmax(base.scale50, np.float32(SPREAD) * (base.loc80 - base.loc50)).astype(np.float32)
    alone = late_alone(
        rtt - base.loc50,
        scale,
        columns.matrix,
        columns.agents,
        sleepy=columns.sleepy,
        targets=columns.targets,
    )
    rtt[alone] = np.nan
    value = np.maximum(rtt, base.loc50)
    silent = ~np.isfinite(value)
    quiet = tail((value - base.loc50) / scale)
    delay = np.empty((len(DELAYS_S), *value.shape), dtype=np.float32)
    for i, excess in enumerate(DELAYS_S):
        wide = scale + np.float32(SCALE_GROWTH) * excess
        ratio = quiet / tail((value - (base.loc50 + excess)) / wide)
        plain = ratio * ratio * np.sqrt(ratio) * (scale / wide)
        root = np.sqrt(plain)
        delay[i] = root * np.sqrt(np.sqrt(root))  # tempered to 5/8, as a tick's is
        delay[i][silent] = 1.0
    sent = np.where(speaks, seconds.sent, 0).astype(np.uint16)
    lost = np.where(speaks, seconds.silent, 0).astype(np.uint16)
    return Evidence(
        delay=leaky(delay, settings.leak),
        loss=loss_evidence(sent, lost, base, settings),
        tail=np.zeros((len(TAILS), *sent.shape), dtype=np.float32),
        late=np.zeros(sent.shape, dtype=np.float32),
        alone=alone,
    )


class Emissions(Struct, frozen=True, kw_only=True):
    """Log-ratios per second and element: it holds up or loses some, it lets nothing through, or its excess
    is too small to be a fault."""

    bad: Floats
    out: Floats
    minor: Floats


def emissions_of(evidence: Evidence, columns: ElementColumns) -> Emissions:
    """How well each element explains each second, by shape."""
    sums = part_sums(evidence, columns)
    some, none = slice(None, OUTAGE_FROM), slice(OUTAGE_FROM, len(LOSSES))
    return Emissions(
        bad=mixed(log_mean(sums[0], columns.delays), log_mean(sums[1][some], columns.losses[some])),
        out=log_mean(sums[1][none], columns.losses[none]),
        minor=minor_evidence(sums, columns),
    )


def fault_probability(
    emissions: Emissions, onset: NDArray[np.float64], blip: NDArray[np.float64], fault_s: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Per second and element the probability of a fault by what came before, bad or out: (2, seconds,
    elements); and that of nothing going on, (seconds,).

    onset, blip: chances per tick that a fault, and that something passing, begins.
    """
    shapes = [emissions.bad, emissions.out, emissions.bad, emissions.out, emissions.minor]
    each = np.stack(shapes).astype(np.float64)
    # As ratios to the second's best explanation, so that nothing overflows.
    best = np.maximum(each.max(axis=(0, 2)), 0.0)
    weight, quiet = np.exp(each - best[:, None]), np.exp(-best)
    begin = (
        np.stack(
            [
                onset * (1 - FAULT_OUTAGES),
                onset * FAULT_OUTAGES,
                blip * (1 - PASSING_OUTAGES),
                blip * PASSING_OUTAGES,
                np.full_like(onset, MINOR_RATE),
            ]
        )
        / TICK_S
    )
    begin[4, (emissions.minor <= LOWEST).all(axis=0)] = 0.0
    leave = np.array([1 / fault_s, 1 / fault_s, 1 / PASSES_S, 1 / GAP_S, 1 / MINOR_S])[:, None]
    stay, begun = 1 - leave, float(begin.sum())
    now, nothing = np.zeros_like(begin), 1.0
    out, calm = np.empty((2, *emissions.bad.shape)), np.empty(emissions.bad.shape[0])
    for t in range(len(calm)):
        moved = (now * stay + nothing * begin) * weight[:, t]
        nothing = (nothing * (1 - begun) + float((now * leave).sum())) * quiet[t]
        total = nothing + float(moved.sum())
        now, nothing = moved / total, max(nothing / total, TINY)
        out[:, t], calm[t] = now[:2], nothing
    return out, calm


def strong_spans(
    evidence: Evidence,
    columns: ElementColumns,
    heard: list[frozenset[int]],
    *,
    onset: NDArray[np.float64],
    blip: NDArray[np.float64],
    fault_s: float,
) -> list[StrongSpan]:
    """Every strong excess in some seconds, in order of time.

    heard: each element's column over the sessions that may speak. onset, blip: per tick and element.
    """
    there = np.array([bool(c) for c in heard])
    emissions = emissions_of(evidence, columns)
    each, _ = fault_probability(emissions, np.where(there, onset, 0.0), np.where(there, blip, 0.0), fault_s)
    groups: dict[frozenset[int], list[int]] = {}
    for j, column in enumerate(heard):
        if len(column) >= LEAST_SESSIONS:
            groups.setdefault(column, []).append(j)
    out = []
    for column, members in groups.items():
        part = each[:, :, members]
        for first, detected, end in _runs(part.sum(axis=(0, 2))):
            share = part[:, detected].sum(axis=0)
            likeliest = members[int(share.argmax())]
            shapes = np.maximum(emissions.bad[:, likeliest], emissions.out[:, likeliest])
            begun = _began(shapes, first, detected)
            seconds = slice(begun, detected + 1)
            if detected - begun >= MOST_SECONDS or _something_else(evidence, column, seconds):
                continue
            if _one_is_well(evidence, column, seconds):
                continue
            order = np.argsort(-share, kind="stable")
            out.append(
                StrongSpan(
                    members=tuple(members[i] for i in order),
                    shares=tuple(float(share[i] / share.sum()) for i in order),
                    first=begun,
                    end=end,
                    detected=detected,
                    probability=float(share.sum()),
                    outage=bool(part[1, detected].sum() > part[0, detected].sum()),
                    lasting=end == len(shapes),
                )
            )
    return sorted(out, key=lambda s: s.detected)


def _runs(probability: NDArray[np.float64]) -> list[tuple[int, int, int]]:
    """(first, detected, end) of each run in which a group is sure to be at fault."""
    out = []
    high = low = 0
    since = detected = -1
    for t, value in enumerate(probability.tolist()):
        if since < 0:
            high = high + 1 if value >= SURE else 0
            if high >= SURE_SECONDS:
                since, detected, low = t - high + 1, t, 0
            continue
        low = low + 1 if value <= OVER_AT else 0
        if low >= OVER_SECONDS:
            out.append((since, detected, t - low + 1))
            since, high = -1, 0
    if since >= 0:
        out.append((since, detected, len(probability)))
    return out


def _began(ratio: Floats, first: int, detected: int) -> int:
    """The second from which on the evidence up to `detected` is strongest."""
    back = np.cumsum(ratio[detected::-1].astype(np.float64))
    return min(first, detected - int(back.argmax()))


def _something_else(evidence: Evidence, column: frozenset[int], seconds: slice) -> bool:
    """Whether a session outside of a group is loud in the same seconds."""
    others = [i for i in range(evidence.alone.shape[1]) if i not in column]
    return any(bool((best > LOUD).any()) for best in _best(evidence, others, seconds))


def _one_is_well(evidence: Evidence, column: frozenset[int], seconds: slice) -> bool:
    """Whether all seconds of one session that crosses a group speak loudly against any excess.

    A leak bounds what one second of it can say, so that two others outweigh it: a lone radio that dozes
    brings most answers late, and none to what it asks while it is awake. The ticks know that.
    """
    delay, loss = _best(evidence, sorted(column), seconds)
    return bool(((delay < -LOUD) & (loss <= 0)).any())


def _best(evidence: Evidence, sessions: Sequence[int], seconds: slice) -> tuple[Floats, Floats]:
    """How well the best delay, and the best loss, explain all these seconds of each of some sessions."""
    delay, loss = (p[:, seconds, sessions].sum(axis=1).max(axis=0) for p in (evidence.delay, evidence.loss))
    return delay, loss
