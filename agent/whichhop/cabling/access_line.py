"""From a modem's readings over time, the cable run and the losses on the access link to one explanation."""

from collections.abc import Sequence
from itertools import pairwise

from whichhop.cabling.against_reading import compare
from whichhop.cabling.codeword_timing import Timing, bursts_of, lined_up, seconds_inside
from whichhop.cabling.codewords import CounterState
from whichhop.cabling.explain import Explanation, explain
from whichhop.cabling.judge_levels import deltas_between
from whichhop.cabling.judge_modem import judge_modem
from whichhop.model.cable_run import Run
from whichhop.model.channel import ModemLevels
from whichhop.model.finding import Verdict
from whichhop.model.units import NS_PER_S

START_LEAST_DBMV = 0.0
"""Least level wanted where the cable enters the house; common practice."""


def lost_codewords(history: Sequence[ModemLevels]) -> list[float]:
    """Uncorrectable codewords of all channels between each two readings; nan where no channel tells.

    A restarted counter tells nothing about when: it is left out, not taken for a burst.
    """
    out = []
    for before, after in pairwise(history):
        deltas = deltas_between(before, after).values()
        told = [
            d.uncorrectable
            for d in deltas
            if d.uncorrectable is not None and d.state is not CounterState.RESET
        ]
        out.append(float(sum(told)) if told else float("nan"))
    return out


def timing_of(history: Sequence[ModemLevels], loss_ns: Sequence[tuple[int, int]]) -> Timing:
    """The codeword test over readings, oldest first, and episodes of loss on the access link (UTC ns)."""
    start = history[0].at_ns if history else 0
    edges = [(levels.at_ns - start) / NS_PER_S for levels in history]
    episodes = [((a - start) / NS_PER_S, (b - start) / NS_PER_S) for a, b in loss_ns]
    return lined_up(bursts_of(lost_codewords(history)), seconds_inside(edges, episodes))


def explain_line(
    verdict: Verdict,
    history: Sequence[ModemLevels],
    run: Run | None = None,
    loss_ns: Sequence[tuple[int, int]] = (),
) -> Explanation | None:
    """What everything known about the line adds to a verdict; None when it is not about the access link.

    history: the modem's readings, oldest first, up to the episode's end. run: the home file's cable run.
    loss_ns: start and end of every episode of loss on the access link in the history.
    """
    if not history:
        return explain(verdict, judge_modem(ModemLevels(node="", at_ns=0, channels=())))
    now = history[-1]
    before = history[-2] if len(history) > 1 else None
    difference = compare(run, now.channels) if run is not None else None
    fine = min(run.tap_dbmv.values()) >= START_LEAST_DBMV if run is not None and run.tap_dbmv else None
    timing = timing_of(history, loss_ns) if loss_ns else None
    return explain(verdict, judge_modem(now, before), difference, timing, fine)
