"""Taking out a splitter, only where levels say it matters; looking at the coax where they take the claim."""

from collections.abc import Iterator, Sequence
from statistics import median

from whichhop.advice.facts import HomeFacts, Trouble, trouble, trouble_words
from whichhop.advice.step import Recommendation, RecommendationKind, RecommendedGain
from whichhop.cabling.cautions import Hazard, cautions_for
from whichhop.cabling.judge_levels import LevelFinding
from whichhop.cabling.judge_modem import judge_modem
from whichhop.cabling.levels_summary import family_of
from whichhop.cabling.rules import RULES, LevelStanding
from whichhop.cabling.run import expected_dbmv
from whichhop.cabling.what_if import WhatIfOutcome, ideas, what_if
from whichhop.model import Direction
from whichhop.model.cable_run import Run
from whichhop.model.channel import MULTI_CARRIER
from whichhop.model.inner_cause import Cost, Effort
from whichhop.model.links import Owner

IN_THE_HOUSE = (Hazard.POWERED_TAP, Hazard.GROUNDING, Hazard.ALARM, Hazard.MAINS, Hazard.PROVIDER)
MOST_FIGURES = 3
"""Of a modem's figures, the worst first: more than a reader takes in at once is in `whichhop levels`."""
LEAST_WORTH = 0.001
"""What is known to be amiss goes before what only tells more, though nothing is felt of it yet."""
DEFAULT_HZ = (100e6, 400e6, 700e6)
"""Where a run is looked at when no reading gives frequencies: low, middle and high downstream."""
_POWER = (RULES["down-power-specification"], RULES["down-power-practice"])


def _standing(level_dbmv: float) -> LevelStanding:
    return max((rule.stands(level_dbmv) for rule in _POWER), key=lambda s: s.weight)


def _weak(level_dbmv: float) -> bool:
    return level_dbmv < 0 and _standing(level_dbmv).weight > 0


def _levels(known: HomeFacts, run: Run) -> tuple[dict[float, float], str]:
    """Downstream level by frequency and where it is from: the reading, else the cable run's sum."""
    if known.levels:
        newest = known.levels[-1]
        read = {
            float(c.frequency_hz): c.power_dbmv
            for c in newest.channels
            if c.direction is Direction.DOWN
            and c.locked is not False
            and c.carrier not in MULTI_CARRIER
            and c.frequency_hz
            and c.power_dbmv is not None
        }
        if read:
            return read, f"read from the modem {known.time(newest.at_ns)}"
    if not run.tap_dbmv:
        return {}, ""
    return {f: expected_dbmv(run, f) for f in DEFAULT_HZ}, "by the cable run in the home file; not read yet"


def _best(
    outcomes: Sequence[WhatIfOutcome], levels: dict[float, float]
) -> tuple[WhatIfOutcome, float] | None:
    """The change that leaves the fewest weak channels, then cuts least, then gains most; with its dB.

    A change that would push a channel over the upper end is no help and left out.
    """
    kept = []
    for outcome in outcomes:
        gains = {g.frequency_hz: g.gain_db for g in outcome.gains}
        after = {f: level + gains[f] for f, level in levels.items()}
        if any(v > 0 and _standing(v).weight > _standing(levels[f]).weight for f, v in after.items()):
            continue
        gain = median(gains.values())
        if gain > 0:
            weak = sum(_weak(v) for v in after.values())
            kept.append(((weak, len(outcome.cuts), -gain), outcome, gain))
    return min(kept, key=lambda k: k[0])[1:] if kept else None


def _line_trouble(known: HomeFacts) -> Trouble:
    """Episodes of the access link that the levels do not leave to the provider alone."""
    return trouble(
        known,
        lambda v, line: v.near_line and line is not None and line.whose is not Owner.PROVIDER,
    )


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """At most one change of the cable run, and an inspection where the levels point into the house or are
    not as they should be."""
    found = _line_trouble(known)
    changes = list(_change(known, known.run, found)) if known.run is not None else []
    yield from changes
    if not found.verdicts:
        yield from _figures(known, changed=bool(changes))
    if found.verdicts:
        sentences = dict.fromkeys(
            line.sentence for v, line in known.explained() if line is not None and v in found.verdicts
        )
        yield Recommendation(
            key="inspect-coax",
            kind=RecommendationKind.FIX,
            what="Work through the coax in the house from the modem outwards, then read the levels again",
            where="coax",
            why=(f"the access line was at fault: {trouble_words(found)}", *sentences),
            **found.ends,
            effort=Effort.HOUR,
            cost=Cost.NOTHING,
            cautions=cautions_for(IN_THE_HOUSE),
            commands=_look(known),
        )


def _look(known: HomeFacts) -> tuple[str, ...]:
    return f"whichhop cabling {known.file} --checklist", f"whichhop levels {known.file}"


def _figures(known: HomeFacts, *, changed: bool) -> Iterator[Recommendation]:
    """What the modem says is not right though nothing was put down to it yet.

    changed: a change of the cable run is advised already, for levels downstream that are too low.
    """
    if not known.levels:
        return
    before = known.levels[0] if len(known.levels) > 1 else None
    troubles = [
        f
        for f in judge_modem(known.levels[-1], before, known.home.plan).troubles
        if not (changed and f.rule in {rule.name for rule in _POWER} and (f.value or 0.0) < 0)
    ]
    if not troubles:
        return
    outside = any(f.standing is LevelStanding.OUTSIDE for f in troubles)
    ongoing = any(v.end_ns is None for v in known.verdicts)
    yield Recommendation(
        key="inspect-levels",
        kind=RecommendationKind.FIX,
        what=_what(troubles, outside=outside),
        where="coax",
        # A limit is broken now; a fault that is felt goes before it.
        now=outside and not ongoing,
        worth=LEAST_WORTH,
        why=(
            *(f.words for f in _worst(troubles)),
            f"read from the modem {known.time(known.levels[-1].at_ns)}",
        ),
        effort=Effort.HOUR,
        cost=Cost.NOTHING,
        cautions=cautions_for(IN_THE_HOUSE),
        commands=_look(known),
    )


_NOISE = "Find where noise enters the coax: loose connectors, open ports, poor shielding, then the line"
_FIRST_LOOK = {
    "up-power": "Take out splitters and renew poor joints from the modem outwards: it sends with much power",
    "t3-rate": "Tighten and renew the coax connectors from the modem outwards: its calls upstream get lost",
    "t4-rate": "Tighten and renew the coax connectors from the modem outwards: its upstream breaks off",
    "uncorrectable": _NOISE,
    "corrected": _NOISE,
    "snr": _NOISE,
    "partial-service": "Check the coax for filters and damage: channels are missing that the provider sends",
}
"""What to do first, by what is worst (common practice)."""


def _what(troubles: Sequence[LevelFinding], *, outside: bool) -> str:
    doubtful = all(f.standing is LevelStanding.IMPLAUSIBLE for f in troubles)
    if doubtful:
        return "Read the modem's levels again: figures such as these are not seen on a working line"
    how = "outside" if outside else "at the edge of"
    worst = max(troubles, key=lambda f: f.standing.weight)
    figure = f"{worst.subject} is {worst.shown}, wanted {worst.wanted}" if worst.subject else worst.words
    if not worst.too_low or worst.rule.startswith("snr"):
        first = _FIRST_LOOK.get(family_of(worst))
        if first is not None:
            return f"{first} ({figure})"
    first = "Work through the line's cable and plugs from the modem outwards"
    return f"{first}: its figures are {how} what they should be ({figure})"


def _worst(troubles: Sequence[LevelFinding]) -> Iterator[LevelFinding]:
    """The worst of each kind, then no more of the same."""
    kinds = {f.rule: f for f in reversed(troubles)}
    yield from sorted(kinds.values(), key=lambda f: -f.standing.weight)[:MOST_FIGURES]


def _change(known: HomeFacts, run: Run, found: Trouble) -> Iterator[Recommendation]:
    levels, origin = _levels(known, run)
    weak = [f for f, level in levels.items() if _weak(level)]
    if not weak:
        return
    best = _best([what_if(run, change, tuple(levels)) for change in ideas(run)], levels)
    if best is None:
        return
    outcome, gain = best
    before = median(levels.values())
    lowest = min(levels, key=lambda f: levels[f])
    why = [
        f"{len(weak)} of {len(levels)} downstream levels are too low, the lowest {levels[lowest]:+.1f} dBmV "
        f"at {lowest / 1e6:g} MHz, not {_POWER[1].range_words} ({_POWER[1].source}); {origin}"
    ]
    if found.verdicts:
        why.append(f"the access line was at fault: {trouble_words(found)}")
    else:
        why.append("no fault of the line was put down to it so far")
    if outcome.cuts:
        why.append(f"mind: it cuts off {', '.join(outcome.cuts)}")
    yield Recommendation(
        key="change-cable-run",
        kind=RecommendationKind.FIX,
        what=outcome.words[0].upper() + outcome.words[1:],
        where="coax",
        why=tuple(why),
        gains=(
            RecommendedGain(
                value=gain, unit="db", before=before, after=before + gain, about="at the modem, downstream"
            ),
            RecommendedGain(value=outcome.gains[0].upstream_gain_db, unit="db", about="upstream"),
            *((found.gain,) if found.verdicts else ()),
        ),
        worth=found.share,
        now=found.now,
        effort=Effort.MINUTES,
        cost=Cost.NOTHING if outcome.words.startswith("take out") else Cost.SMALL,
        cautions=outcome.cautions,
        commands=(f"whichhop cabling {known.file}",),
    )
