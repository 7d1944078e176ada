"""Holds what was said of a run against what was done, and makes the table."""

import statistics
from collections.abc import Mapping, Sequence
from typing import Any

from packet_suite.runs import INSIDE, KINDS, Kind
from whichhop.model import Cause
from whichhop.model.inner_cause import NAMED_AT

PROVIDER = (Cause.UPSTREAM_LINK, Cause.BEYOND)
OUTCOMES = ("right", "half", "abstained", "wrong")


def right(kind: Kind, verdict: Mapping[str, Any]) -> bool:
    """Whether a verdict is one of those that may be said of a run, of the element that was broken."""
    elements = {kind.element, *(("own-traffic",) if kind.load else ())}
    return verdict["cause"] in kind.may and bool(elements & set(verdict["elements"]))


def outcome(kind: Kind, verdicts: Sequence[Mapping[str, Any]]) -> str:
    """right: all that was said is true and nothing is missing. half: true, but one of two causes is missing.

    abstained: nothing was said, or only that the vantage points cannot tell, the broken element among those
    named. wrong: anything else.
    """
    good = [v for v in verdicts if right(kind, v)]
    unsure = [v for v in verdicts if v["cause"] == Cause.NOT_SEPARABLE and kind.element in v["elements"]]
    if any(v not in good and v not in unsure for v in verdicts):
        return "wrong"
    if kind.must and not good:
        return "abstained"
    if kind.needs is not None and all(v["cause"] != kind.needs for v in good):
        return "half"
    return "right"


def accused(kind: Kind, verdicts: Sequence[Mapping[str, Any]]) -> bool:
    """Whether the provider was blamed for what is not its own; proven only: the rest is said with doubt."""
    theirs = bool(kind.may & set(PROVIDER)) or kind.name == "not-separable"
    return not theirs and any(v["cause"] in PROVIDER and v["proven"] for v in verdicts)


def of_inside(kind: Kind, verdicts: Sequence[Mapping[str, Any]], screen: str = "") -> str:
    """What was said of the cause inside the hop: right, wrong, abstained; "no hop" where it was not named."""
    if kind.felt and kind.felt in " ".join(screen.split()):
        return "right"
    good = [v for v in verdicts if right(kind, v)]
    named = {n["cause"] for v in good if (n := named_inside(v)) is not None}
    if not good:
        return "no hop"
    return "abstained" if not named else "right" if named == {kind.inside} else "wrong"


def named_inside(verdict: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The likeliest cause inside, where it is likely enough to be named."""
    reasons = (verdict.get("inside") or {}).get("reasons") or ()
    return reasons[0] if reasons and reasons[0]["probability"] >= NAMED_AT else None


def kind_of(name: str) -> Kind:
    return next(k for k in (*KINDS, *INSIDE) if k.name == name)


def _said(verdict: Mapping[str, Any]) -> str:
    doubt = "" if verdict["proven"] else " (not proven)"
    said = f"{verdict['cause']}{doubt} {'+'.join(verdict['elements'])} {verdict['probability']:.3f}"
    why = named_inside(verdict)
    return said if why is None else f"{said}, inside: {why['cause']} {why['probability']:.2f}"


def table(seen: Sequence[Mapping[str, Any]]) -> list[str]:
    """A line a run, then a line a kind, then all together."""
    lines = [
        f"{'home':<5}{'cause injected':<19}{'kind and size':<34}{'s':>4}  {'outcome':<10}verdict, probability"
    ]
    judged: list[tuple[Mapping[str, Any], Kind, str]] = []
    for one in seen:
        kind = kind_of(one["name"])
        judged.append((one, kind, outcome(kind, one["verdicts"])))
    for one, _, came in judged:
        after = "" if one["right_s"] is None else f"{one['right_s']:.0f}"
        said = "; ".join(map(_said, one["verdicts"])) or "nothing named"
        lines.append(
            f"{one['home']:<5}{one['name']:<19}{one['words'] or '-':<34}{after:>4}  {came:<10}{said}"
        )
    asked = [
        (k, of_inside(k, one["verdicts"], one["screen"])) for one, k, _ in judged if k.inside is not None
    ]
    for outcome_of in dict.fromkeys(came for _, came in asked):
        names = ", ".join(str(k.inside) for k, came in asked if came == outcome_of)
        lines.append(f"cause inside the hop {outcome_of}: {names}")
    lines += ["", f"{'cause injected':<19}{'runs':>5}" + "".join(f"{o:>11}" for o in OUTCOMES)]
    for name in dict.fromkeys(k.name for _, k, _ in judged):
        mine = [came for _, k, came in judged if k.name == name]
        lines.append(f"{name:<19}{len(mine):>5}" + "".join(f"{mine.count(o):>11}" for o in OUTCOMES))
    every = [came for _, _, came in judged]
    lines.append(f"{'all':<19}{len(every):>5}" + "".join(f"{every.count(o):>11}" for o in OUTCOMES))
    blamed = sum(accused(k, one["verdicts"]) for one, k, _ in judged)
    home_side = sum(not k.may & set(PROVIDER) for _, k, _ in judged)
    waits = [one["right_s"] for one, _, came in judged if came == "right" and one["right_s"] is not None]
    lines += [
        "",
        f"provider blamed, proven, in {home_side} runs whose fault was not the provider's: {blamed}",
    ]
    if waits:
        lines.append(
            f"seconds to the right verdict, {len(waits)} runs: median {statistics.median(waits):.0f},"
            f" longest {max(waits):.0f}"
        )
    return lines
