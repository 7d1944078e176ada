"""Whether an episode is borne by more than one odd session: its evidence must survive without the loudest."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from whichhop.compare.inference.evidence import TICK_MIX
from whichhop.compare.inference.likelihood import DELAYS_S
from whichhop.compare.inference.scan import Scan
from whichhop.compare.suspects.elements import HOME_SIDE, Element, Nature
from whichhop.compare.verdict.episodes import Span
from whichhop.compare.verdict.verdict import FoundEpisode

LEAST_SESSIONS = 2
"""With one session there is nobody else to ask."""
LEAST_PROOF = 5.0
LEAST_SHARE = 0.2
"""Log-ratio that a second suspect's own sessions must add up, and the share of ticks that do."""
LEAST_OWN_GAIN = 25.0
"""What explains its time by so much better than all that goes without it needs no other proof. Chosen on 30
development homes with two and three faults: 8 true and 3 false episodes more."""
BY_RADIO = (Nature.RADIO, Nature.BACKHAUL)
ADDS_S = 0.005
ADDS_SHARE = 0.3
ADDS_LOSS = 0.05
ADDS_SIGMAS = 4.0
"""What an inner suspect must add to the outer one's: delay, and share of it; loss, and how surely."""
LIMITED = 0.15
"""A limited asker loses at least this share. Swept: half and twice of it changed no verdict
(tests/suite/results/tries.md)."""
ABOVE_USUAL = 3.0
"""A session that lost more than this many times its usual share shows loss."""
REST_SIGMAS = 4.0
"""How far all but the session that lost most must lose over the usual, in deviations of a Poisson count."""
LONGEST_TICKS = 720
"""An episode's first two hours are enough to tell."""


def by_themselves(
    done: Scan,
    elements: Sequence[Element],
    found: Sequence[FoundEpisode],
    counted: NDArray[np.float64] | None = None,
) -> list[FoundEpisode]:
    """Those that are borne out beside the others; of two that need each other gone the better one stays.

    counted: (ticks,) log-ratios by which counters of the line speak for the home's own traffic, if any do.
    """

    def fit(one: FoundEpisode) -> float:
        ticks = slice(one.span.first, one.span.end)
        return float(done.ratios[ticks, one.members[0]].sum(dtype=np.float64))

    out = list(found)
    for one in sorted(found, key=fit):
        if not (_counted(elements, one, counted) or _own_proof(done, elements, one, out)):
            out.remove(one)
    return out


def _counted(elements: Sequence[Element], found: FoundEpisode, counted: NDArray[np.float64] | None) -> bool:
    """Whether counters show that the home filled its line: no packet need say it once more."""
    if counted is None or elements[found.members[0]].nature is not Nature.OWN_TRAFFIC:
        return False
    return bool(counted[found.span.first : found.span.end].sum() > LEAST_PROOF)


def _own_proof(
    done: Scan, elements: Sequence[Element], found: FoundEpisode, others: Sequence[FoundEpisode]
) -> bool:
    """Whether a group is borne out beside what else is blamed at the same time.

    By sessions that only it crosses; where there are none, by faring worse than the rest of a group that
    holds all of its sessions.
    """
    heard = np.flatnonzero(done.speaks[found.span.first : found.span.end].any(axis=0))
    column = elements[found.members[0]].column.intersection(heard.tolist())
    nature = elements[found.members[0]].nature
    taken = frozenset[int]()
    unique, strong = column, found.gain >= LEAST_OWN_GAIN and nature is not Nature.REPLY
    for other in others:
        together = min(found.span.end, other.span.end) - max(found.span.first, other.span.first)
        if other is found or 2 * together <= found.span.end - found.span.first:
            continue
        around = elements[other.members[0]].column.intersection(heard.tolist())
        unique, taken = unique - around, taken | around
        if column < around and not strong and not adds(done, column, around - column, found.span):
            return False
    if unique == column or not unique:
        return True
    least_s = _least_s(done, elements, unique, found.span)
    # What lies behind a radio may still be no more than the radio's own coming and going.
    behind = least_s > 0 and nature not in BY_RADIO
    if strong and behind:
        # Unless all else that crosses each of these radios fares well meanwhile.
        strong = all(
            beside and adds(done, unique & radio, beside, found.span)
            for radio in _radios_of(elements, unique, heard)
            for beside in [radio - column - taken]
        )
        behind = False
    return (strong and not behind) or shown_by(done, sorted(unique), found.span, least_s=least_s)


def _radios_of(
    elements: Sequence[Element], unique: frozenset[int], heard: NDArray[np.intp]
) -> list[frozenset[int]]:
    """The sessions heard over each radio that some of these cross."""
    return [
        e.column.intersection(heard.tolist()) for e in elements if e.nature in BY_RADIO and e.column & unique
    ]


def _least_s(done: Scan, elements: Sequence[Element], unique: frozenset[int], span: Span) -> float:
    """The least delay that is a fault where only these sessions show it.

    Who is seen by a radio or power line alone comes and goes with it: less than a fault of that is none of
    what lies behind it.
    """
    delays = done.columns_at(span.first).delays
    by_radio = [j for j, e in enumerate(elements) if e.nature in BY_RADIO and e.column & unique]
    if not unique <= frozenset[int]().union(*(elements[j].column for j in by_radio)):
        return 0.0
    return float(min(DELAYS_S[delays[:, j].argmax()] for j in by_radio))


def borne(scan: Scan, element: Element, span: Span) -> bool:
    """True when more than half of the column's sessions, and all but the loudest together, bear it out.

    A real excess shows in whatever crosses it. One session alone may be odd for long: the first packet
    after a pause wakes a dozing radio, and it is always the same session's packet. A box that limits its
    answers, though, may single out one asker for good.
    """
    tails = element.nature in HOME_SIDE
    heard, each = _each(scan, sorted(element.column), span, tails=tails)
    # A line in use has long tails by itself: what is slow past the home by some packets only explains them,
    # so that nothing in the home is blamed for it, and is no fault.
    if not tails and float(each[each > 0].sum()) <= LEAST_PROOF:
        return False
    # Only the loud ticks: bursts leave quiet ones between them.
    rows = each.sum(axis=1) > 0
    # Whom a guest network or a firewall keeps apart is never answered: nothing could show in that.
    able = scan.answered[heard]
    if np.count_nonzero(able) < LEAST_SESSIONS:
        return True
    loud = each[rows].sum(axis=0)
    # A light loss may by chance leave most of a session's ticks alone, so one lost packet is enough.
    lost, usual = _lost(scan, heard, span, rows)
    shows = (loud > 0) | (lost > ABOVE_USUAL * usual)
    answers = scan.table.q50_s[span.first : span.first + rows.size][:, heard][rows]
    asked = able & _could_tell(np.isfinite(answers).any(axis=0), lost, usual)
    if 2 * np.count_nonzero(shows & asked) > np.count_nonzero(asked):
        # Each session by itself may say little where all together lose a light share.
        others = np.arange(len(heard)) != int(np.argmax(lost))
        expected = float(usual[others].sum())
        many = float(lost[others].sum()) > expected + REST_SIGMAS * (expected + 1.0) ** 0.5
        if many or loud.sum() - loud.max() > 0:
            return True
    return element.nature is Nature.REPLY and bool(loud.sum() > 0) and _loses(scan, element, span)


def _could_tell(
    timed: NDArray[np.bool_], lost: NDArray[np.int64], usual: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Which sessions could have borne an episode out: of an agent that asks each five seconds no tick has a
    median, so where packets are late and none are lost it is no witness, neither way.

    timed: who has medians.
    """
    expected = float(usual[timed].sum())
    loses = float(lost[timed].sum()) > expected + REST_SIGMAS * (expected + 1.0) ** 0.5
    return timed if timed.any() and not loses else np.ones_like(timed)


def _lost(
    scan: Scan, heard: list[int], span: Span, rows: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """What each session lost in these ticks of the span, and what it ordinarily would have."""
    first = span.first
    speaks = scan.speaks[first : first + rows.size][:, heard] & rows[:, None]
    sent = np.where(speaks, scan.table.sent[first : first + rows.size][:, heard], 0).sum(axis=0)
    lost = np.where(speaks, scan.table.lost[first : first + rows.size][:, heard], 0).sum(axis=0)
    usual = scan.baselines[scan.block_of(first)].loss[heard]
    return lost.astype(np.int64), np.asarray(usual * sent, dtype=np.float64)


def _loses(scan: Scan, element: Element, span: Span) -> bool:
    """Whether lost packets, not late ones, are what the loudest session shows."""
    ticks = slice(span.first, min(span.end, span.first + LONGEST_TICKS))
    column = sorted(element.column)
    speaks = scan.speaks[ticks][:, column]
    sent = np.where(speaks, scan.table.sent[ticks][:, column], 0).sum(axis=0)
    lost = np.where(speaks, scan.table.lost[ticks][:, column], 0).sum(axis=0)
    return bool((lost > LIMITED * np.maximum(sent, 1)).any())


def shown_by(scan: Scan, unique: list[int], span: Span, *, least_s: float = 0.0) -> bool:
    """True when these sessions, which no other suspect explains, show the excess themselves.

    least_s: what is added less is not the excess.

    Two causes that share sessions fit a single one's data better than it does alone; the second is believed
    only where something that crosses it and not the first is in trouble. True when none of them spoke.
    """
    heard, each = _each(scan, unique, span, least_s=least_s)
    if not each.size:
        return True
    # Of many sessions that lose a little each alone says nothing, and all together say much.
    total = np.maximum(each.sum(axis=1), _together(scan, heard, span, least_s))
    loud = total[total > 0]
    return bool(loud.sum() > LEAST_PROOF and loud.size >= LEAST_SHARE * total.size)


def adds(scan: Scan, inner: frozenset[int], rest: frozenset[int], span: Span) -> bool:
    """Whether sessions of an inner suspect fare worse than the rest of the outer one's that holds them.

    Where one suspect's sessions are all another's too, the inner is believed beside the outer only when it
    adds delay or loss of its own.
    """
    mine, others = sorted(inner), sorted(rest)
    if not all(_counts(scan, group, span)[0] for group in (mine, others)):
        return True
    # Each agent's against its own: one whose radio dozes is late in some of what it asks, not in all.
    agents = [key.agent for key in scan.table.sessions]
    of_each = [
        [_over(scan, [i for i in group if agents[i] == agent], span) for group in (mine, others)]
        for agent in sorted({agents[i] for i in mine} & {agents[i] for i in others})
    ] or [[_over(scan, mine, span), _over(scan, others, span)]]
    pairs = [(one, other) for one, other in of_each if one is not None and other is not None]
    slower = sorted(_delays_more(one, other) for one, other in pairs)
    return (bool(slower) and slower[(len(slower) - 1) // 2]) or _loses_more(scan, mine, others, span)


def outdoes(scan: Scan, inner: frozenset[int], outer: frozenset[int], span: Span) -> bool:
    """Whether a suspect that shares sessions with another one delays more than that does, or loses more.

    False where none of its sessions crosses it alone.
    """
    mine, others = sorted(inner - outer), sorted(outer - inner)
    added, rest = _over(scan, mine, span), _over(scan, others, span)
    if others and _loses_more(scan, mine, others, span):
        return True
    if added is None:
        return False
    if rest is None:
        # Who crosses the other crosses both, and waits for both.
        both = _over(scan, sorted(outer), span)
        rest = None if both is None else both - added
    return rest is not None and _delays_more(added, rest)


def _delays_more(one_s: float, other_s: float) -> bool:
    return one_s - other_s > max(ADDS_S, ADDS_SHARE * other_s)


def _loses_more(scan: Scan, mine: Sequence[int], others: Sequence[int], span: Span) -> bool:
    (sent, lost), (other_sent, other_lost) = (_counts(scan, group, span) for group in (mine, others))
    if not sent or not other_sent:
        return False
    # Ticks of one fault are not independent, hence the high bar.
    gap = lost / sent - other_lost / other_sent
    return gap > ADDS_LOSS and two_proportions_z(lost, sent, other_lost, other_sent) > ADDS_SIGMAS


def _over(scan: Scan, group: Sequence[int], span: Span) -> float | None:
    """Seconds by which these sessions' medians were over their baselines, in the middle; None if unknown."""
    ticks = slice(span.first, min(span.end, span.first + LONGEST_TICKS))
    loc = scan.baselines[scan.block_of(span.first)].loc50
    over = np.where(scan.speaks[ticks][:, group], scan.table.q50_s[ticks][:, group] - loc[group], np.nan)
    known = over[np.isfinite(over)]
    return float(np.median(known)) if known.size else None


def _counts(scan: Scan, group: Sequence[int], span: Span) -> tuple[int, int]:
    """How many packets of these sessions were sent, and lost."""
    ticks = slice(span.first, min(span.end, span.first + LONGEST_TICKS))
    return counted(scan, group, ticks, (scan.table.sent, scan.table.lost))


def counted(
    scan: Scan,
    group: Sequence[int],
    ticks: slice | NDArray[np.intp],
    parts: tuple[NDArray[np.uint16], NDArray[np.uint16]],
) -> tuple[int, int]:
    """The sums of two of the windows' counts over some sessions and ticks, where these speak."""
    speaks = scan.speaks[ticks][:, group]
    one, other = (int(part[ticks][:, group][speaks].sum()) for part in parts)
    return one, other


def two_proportions_z(lost: int, sent: int, other_lost: int, other_sent: int) -> float:
    """The pooled z statistic of two proportions (Fleiss, Levin and Paik 2003, 3.1); 0 without any spread."""
    pooled = (lost + other_lost) / (sent + other_sent)
    error = (pooled * (1 - pooled) * (1 / sent + 1 / other_sent)) ** 0.5
    return float((lost / sent - other_lost / other_sent) / error) if error else 0.0


def _each(
    scan: Scan, column: list[int], span: Span, *, tails: bool = True, least_s: float = 0.0
) -> tuple[list[int], NDArray[np.float64]]:
    """The sessions of the column that spoke, and their log-ratios of any excess, (ticks, sessions).

    tails: an excess of slow packets counts as one. least_s: the least delay that does.
    """
    end = min(span.end, span.first + LONGEST_TICKS)
    heard = [i for i in column if scan.speaks[span.first : end, i].any()]
    evidence = scan.evidence(span.first, end)
    fault = least_s - 1e-6 <= DELAYS_S
    delay = _log_mean(evidence.delay[fault][:, :, heard])
    if not fault.all():
        # An excess below the least explains it, too, and is no fault.
        delay -= np.maximum(_log_mean(evidence.delay[~fault][:, :, heard]), 0.0)
    loss = _log_mean(evidence.loss[:, :, heard])
    each = _any_shape(delay, loss)
    if tails:
        # A tick is slow for all that cross it or, by some packets, for all: never one session's own mixture.
        tail = _log_mean(evidence.tail[:, :, heard])
        each = np.where((tail.sum(axis=1) > each.sum(axis=1))[:, None], tail, each)
    return heard, np.asarray(each)


def _together(scan: Scan, heard: list[int], span: Span, least_s: float) -> NDArray[np.float64]:
    """Log-ratios (ticks,) of one excess that all these have; least_s: the least delay that counts."""
    evidence = scan.evidence(span.first, min(span.end, span.first + LONGEST_TICKS))
    fault = least_s - 1e-6 <= DELAYS_S
    sums = evidence.delay[:, :, heard].sum(axis=2)
    delay, loss = _log_mean(sums[fault]), _log_mean(evidence.loss[:, :, heard].sum(axis=2))
    if not fault.all():
        delay -= np.maximum(_log_mean(sums[~fault]), 0.0)
    return _any_shape(delay, loss)


def _any_shape(delay: NDArray[np.float64], loss: NDArray[np.float64]) -> NDArray[np.float64]:
    mix = np.log(TICK_MIX)
    return np.asarray(np.logaddexp.reduce([delay + mix[0], loss + mix[1], delay + loss + mix[2]]))


def _log_mean(table: NDArray[np.float32]) -> NDArray[np.float64]:
    return np.asarray(np.logaddexp.reduce(table.astype(np.float64), axis=0) - np.log(table.shape[0]))
