"""A step that somebody can take: what, why, what it gives at most, what it costs, what to mind."""

from enum import StrEnum

from msgspec import Struct

from whichhop.cabling.cautions import DEFER, Hazard, cautions_for
from whichhop.model.figure_words import how_long
from whichhop.model.inner_cause import Cost, Effort


class RecommendationKind(StrEnum):
    """What a step is for."""

    FIX = "fix"
    TELL = "tell"
    """It settles whose fault something is; it fixes nothing by itself."""
    MEASURE = "measure"
    """Nothing is known yet; this is how to learn it."""


class RecommendedGain(Struct, frozen=True, kw_only=True):
    """What a step would change, at most: a figure with its unit, from `before` to `after`.

    unit: "bps" (TCP payload), "db", "s" of trouble, or "groups" of links told apart. before and after
    are None where only the difference is known. about: the direction or the frequency.
    """

    value: float
    unit: str
    before: float | None = None
    after: float | None = None
    about: str = ""

    @property
    def words(self) -> str:
        """The gain in words, always an upper bound."""
        return f"at most {_gain_words(self)}"


def _gain_words(gain: RecommendedGain) -> str:
    span = f" ({_figure(gain.before, gain.unit)} to {_figure(gain.after, gain.unit)})"
    from_to = span if gain.before is not None and gain.after is not None else ""
    about = f" {gain.about}" if gain.about else ""
    match gain.unit:
        case "bps":
            return f"{_figure(gain.value, gain.unit)} more{about}{from_to}"
        case "db":
            return f"{gain.value:+.1f} dB{about}{from_to}"
        case "s":
            return f"{how_long(gain.value)} of fault less{about}"
        case _:
            many = "s" if gain.value != 1 else ""
            return f"{gain.value:.0f} group{many} of links told apart{about}"


def _figure(value: float | None, unit: str) -> str:
    if value is None:
        return "not known"
    return f"{value / 1e6:.1f} Mbit/s" if unit == "bps" else f"{value:+.1f} dBmV"


class Way(Struct, frozen=True, kw_only=True):
    """One way of taking a step: what it reaches, what it needs, its effort and cost.

    low_bps: the poor end of what is usual, equal to the ceiling where that does not vary.
    """

    words: str
    ceiling_bps: float
    low_bps: float
    effort: Effort
    cost: Cost
    hazards: tuple[Hazard, ...]


class Recommendation(Struct, frozen=True, kw_only=True):
    """One step. key: what sort it is, for programs. where: the link, box or run it is about.

    why: its evidence, with figures and times; never empty. worth: the share of what is paid for that would
    come back at most, 0 to 1; now: it is about trouble that lasts; see rank.py for the rule.
    """

    key: str
    kind: RecommendationKind
    what: str
    where: str
    why: tuple[str, ...]
    gains: tuple[RecommendedGain, ...] = ()
    worth: float = 0.0
    now: bool = False
    effort: Effort = Effort.MINUTES
    cost: Cost = Cost.NOTHING
    cautions: tuple[str, ...] = ()
    ways: tuple[Way, ...] = ()
    commands: tuple[str, ...] = ()
    brings: str = ""
    """What should be different afterwards, in words."""


def brings_words(brings: str) -> tuple[str, ...]:
    """What a step should bring, a sentence; none where it only tells."""
    return (f"Should bring: {brings}.",) if brings else ()


def step_words(step: Recommendation) -> tuple[str, ...]:
    """A step in sentences, the most important first; cautions are apart, as they must not be skipped."""
    out = [f"{step.what}.", *(f"Why: {w}." for w in step.why)]
    out += brings_words(step.brings)
    if step.gains:
        out.append(f"Gain: {'; '.join(g.words for g in step.gains)}.")
    out += _ways(step)
    out.append(f"Effort: {step.effort}; {step.cost}.")
    out += [f"Command: {c}" for c in step.commands]
    return tuple(out)


def _ways(step: Recommendation) -> list[str]:
    return [
        f"{'Way' if i == 0 else 'Or'}: {w.words} ({w.effort}; {w.cost})." for i, w in enumerate(step.ways)
    ]


def step_lines(step: Recommendation) -> tuple[str, ...]:
    """A step as lines of a screen: its sentences with its cautions, those of one way alone under that way."""
    common = set(step.ways[0].hazards).intersection(*(w.hazards for w in step.ways)) if step.ways else set()
    own = [[c for c in cautions_for({*w.hazards} - common) if c != DEFER] for w in step.ways]
    under = dict(zip(_ways(step), own, strict=True))
    out: list[str] = []
    for line in step_words(step):
        out += [line, *(f"  ! {c}" for c in under.get(line, ()))]
    told = {c for cautions in own for c in cautions}
    return (*out, *(f"! {c}" for c in step.cautions if c not in told))


def step_line(step: Recommendation) -> str:
    """A step in one line, for the page and `status`: what, what it gives or how to know, its cautions."""
    danger = "".join(f" {word}" for word in ("Caution:", *step.cautions)) if step.cautions else ""
    return _step_line(step) + danger


def _step_line(step: Recommendation) -> str:
    if step.now and step.kind is RecommendationKind.FIX:
        if step.effort is Effort.VISIT and step.commands:
            return f"{step.what}: {step.commands[0]} (effort: {step.effort})."
        # What it would give at most is that the fault ends.
        brings = f"; should bring {step.brings}" if step.brings else ""
        return f"{step.what}{brings} (effort: {step.effort})."
    if step.gains and not step.now:
        return f"{step.what}: {step.gains[0].words} (effort: {step.effort})"
    return f"{step.what}: {step.commands[0]}" if step.commands else step.what
