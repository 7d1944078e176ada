"""Joins verdicts on the access link with the modem's levels: is it the coax in the house, or the line?"""

from collections.abc import Sequence
from itertools import pairwise

from msgspec import Struct

from whichhop.cabling.against_reading import LevelDifference, compare
from whichhop.cabling.codeword_timing import Timing, bursts_of, lined_up, seconds_inside
from whichhop.cabling.codewords import CounterState
from whichhop.cabling.judge_levels import Judgement, deltas_between
from whichhop.cabling.judge_modem import judge_modem
from whichhop.cabling.rules import LevelStanding
from whichhop.model.cable_run import Run
from whichhop.model.channel import ModemLevels
from whichhop.model.finding import Verdict
from whichhop.model.links import Owner
from whichhop.model.units import NS_PER_S

TIMING_P = 0.01
"""Below this, codeword bursts and loss are taken to be tied."""

START_LEAST_DBMV = 0.0
"""Least level wanted where the cable enters the house; common practice."""


class Explanation(Struct, frozen=True, kw_only=True):
    """One sentence for the verdict, the reasons, and what to do next.

    whose: None where the house and the provider's drop are not told apart.
    """

    sentence: str
    whose: Owner | None
    reasons: tuple[str, ...] = ()
    next_steps: tuple[str, ...] = ()
    clears_house: bool = False
    """True when the level is bad where it enters the house, and the parts inside lose what they may."""


_CHECK = "work through the inspection list (whichhop cabling) from the modem outwards, then read again"
_REPORT = "report the levels with the verdict; what carries the signal to the house is the provider's"
_READ = "read the modem's levels (whichhop levels)"
_DOUBT = "check the column map, or read the levels another way"


def _tied(timing: Timing | None) -> str:
    if timing is None or timing.p_value is None or timing.p_value > TIMING_P:
        return ""
    return (
        f"bursts of uncorrectable codewords fall together with the loss ({timing.matched_s:.0f} s of "
        f"{timing.loss_s:.0f} s, {timing.expected_s:.0f} s by chance, "
        f"p = {timing.p_value:.2g} over {timing.shifts} shifts)"
    )


_Outcome = tuple[str, Owner | None, tuple[str, ...]]


def _plain(standing: LevelStanding, tied: bool) -> _Outcome | None:
    """Outcomes that the levels alone decide."""
    match standing:
        case LevelStanding.UNKNOWN:
            words = "access line; the modem's levels are not known, so the coax in the house is not ruled out"
            return words, Owner.PROVIDER, (_READ,)
        case LevelStanding.IMPLAUSIBLE:
            words = (
                "access line; the modem's levels are not believable: they neither accuse nor clear the coax"
            )
            return words, Owner.PROVIDER, (_DOUBT,)
        case LevelStanding.FINE:
            more = ", yet bursts of lost codewords come with the loss" if tied else ""
            return f"access line with clean levels{more}", Owner.PROVIDER, (_REPORT,)
        case _:
            return None


def _placed(strong: bool, difference: LevelDifference | None, start_level_fine: bool | None) -> _Outcome:
    """Outcomes that need to know where the level is lost."""
    if difference is not None and difference.explained and start_level_fine is False:
        words = "access line: the level is bad where it enters the house already"
        return words, Owner.PROVIDER, (_REPORT,)
    if not strong:
        words = "access line; the levels are not what technicians aim for, but nothing ties them to the loss"
        return words, Owner.PROVIDER, (_CHECK, _REPORT)
    unlisted = difference is not None and not difference.explained and (difference.excess_db or 0.0) > 0.0
    eaten = difference is not None and difference.explained and start_level_fine is True
    if unlisted or eaten:
        return "access line, and the coax in the house explains it", Owner.HOME, (_CHECK,)
    words = "access line, and the levels explain it: the coax in the house or the provider's drop"
    return words, None, (_CHECK, f"if the levels stay as they are, {_REPORT}")


def explain(
    verdict: Verdict,
    judgement: Judgement,
    difference: LevelDifference | None = None,
    timing: Timing | None = None,
    start_level_fine: bool | None = None,
) -> Explanation | None:
    """What the modem's levels add to a verdict; None when the verdict is not about the access link.

    difference: the cable run held against the reading, where the home file lists one. start_level_fine:
    True when the level at the run's start is good, False when it is bad, None when nobody measured it.
    The house is blamed only with a reason from inside it: loss that the listed parts do not explain, or
    listed parts that eat a good level. Bad levels alone leave house and drop untold.
    """
    if not verdict.near_line:
        return None
    tied = _tied(timing)
    reasons = [f.words for f in judgement.troubles]
    if difference is not None and difference.excess_db is not None:
        reasons.insert(0, difference.words)
    if tied:
        reasons.insert(0, tied)
    standing = judgement.standing
    strong = standing is LevelStanding.OUTSIDE or bool(tied)
    sentence, whose, steps = _plain(standing, bool(tied)) or _placed(strong, difference, start_level_fine)
    enters_bad = difference is not None and difference.explained and start_level_fine is False
    return Explanation(
        sentence=sentence,
        whose=whose,
        reasons=tuple(reasons),
        next_steps=steps,
        clears_house=enters_bad and standing.weight > 0 and standing is not LevelStanding.IMPLAUSIBLE,
    )


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
