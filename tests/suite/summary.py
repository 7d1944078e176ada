"""Many scores as one row of figures a method."""

from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from msgspec import Struct, to_builtins

from suite.case import HOME_SIDE, PROVIDER_SIDE
from suite.scoring import LATE_S, LabelScore, Score, VerdictScore
from whichhop.model import Cause

EDGES = (0.0, 0.5, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.999, 1.0 + 1e-9)


class Share(Struct, frozen=True, kw_only=True):
    """How the faults of one kind fared; shares are of `faults`."""

    faults: int
    exact: float
    wrong: float
    missed: float
    late: float
    """Right, but more than a minute after the fault began."""


def share_of(labels: Sequence[LabelScore]) -> Share:
    n = max(len(labels), 1)
    counted = {o: sum(x.outcome == o for x in labels) / n for o in ("exact", "wrong", "missed")}
    late = sum(x.delay_s is not None and x.delay_s > LATE_S for x in labels) / n
    return Share(faults=len(labels), late=late, **counted)


def reliability(verdicts: Iterable[VerdictScore]) -> list[dict[str, float]]:
    """Verdicts by claimed probability: how many, mean claim, share right."""
    pairs = np.array([(v.probability, float(v.right)) for v in verdicts]).reshape(-1, 2)
    out = []
    for low, high in pairwise(EDGES):
        part = pairs[(pairs[:, 0] >= low) & (pairs[:, 0] < high)]
        if len(part):
            out.append(
                {
                    "from": low,
                    "to": min(high, 1.0),
                    "verdicts": len(part),
                    "claimed": float(part[:, 0].mean()),
                    "right": float(part[:, 1].mean()),
                }
            )
    return out


def calibration_error(rows: Sequence[dict[str, float]]) -> float | None:
    """Expected calibration error: mean distance of claim and truth over the bins, by their weight."""
    total = sum(r["verdicts"] for r in rows)
    if not total:
        return None
    return sum(r["verdicts"] * abs(r["claimed"] - r["right"]) for r in rows) / total


def brier(verdicts: Sequence[VerdictScore]) -> float | None:
    """Mean squared distance of claim and truth."""
    if not verdicts:
        return None
    return float(np.mean([(v.probability - v.right) ** 2 for v in verdicts]))


def summarise(scores: Sequence[Score]) -> dict[str, Any]:
    """The figures of one method over some cases."""
    labels = [x for s in scores for x in s.labels]
    verdicts = [v for s in scores for v in s.verdicts]
    hours = sum(s.hours for s in scores)
    delays = [x.delay_s for x in labels if x.delay_s is not None]
    home_faults = sum(s.faults_home_side for s in scores)
    accused = sum(v.accuses for v in verdicts)
    proven = [v for v in verdicts if v.cause in PROVIDER_SIDE and v.proven]
    told = [x for x in labels if x.abstained is not None]
    # Beside a fault a wrong word is counted with the fault; beside anything else it is a false alarm.
    lone = [v for v in verdicts if v.beside != "fault" and not v.right]
    rows = reliability(verdicts)
    standing = [x.delay_s for x in labels if x.standing]
    well = [s for s in scores if s.well]
    return {
        **to_builtins(share_of(labels)),
        "cases": len(scores),
        "hours": hours,
        "time_to_verdict_median_s": float(np.median(delays)) if delays else None,
        "time_to_verdict_mean_s": float(np.mean(delays)) if delays else None,
        "time_to_verdict_p90_s": float(np.quantile(delays, 0.9)) if delays else None,
        "provider_accused_falsely": accused,
        "provider_suspected_falsely": sum(v.suspects for v in verdicts),
        "provider_headline_of_own_traffic": sum(v.own_headline for v in verdicts),
        "provider_proven_unsplit": sum(v.unsplit for v in verdicts),
        "standing": len(standing),
        "standing_in_3_min": _within(standing, 180.0),
        "standing_in_10_min": _within(standing, 600.0),
        "well_homes": len(well),
        "well_hours": sum(s.hours for s in well),
        "well_homes_blamed": sum(s.blamed for s in well),
        "verdicts_a_fault": sum(x.told for x in labels) / len(labels) if labels else None,
        "home_side_faults": home_faults,
        # Rule of three: none seen in n bounds the rate by about 3/n at 95 % (exactly: chi-square).
        "provider_accused_upper_bound": _upper(accused, home_faults),
        "provider_proven": len(proven),
        "provider_proven_right": sum(v.right for v in proven),
        "false_home_episodes_a_day": _a_day(lone, HOME_SIDE | {Cause.NOT_SEPARABLE}, hours),
        "false_other_episodes_a_day": _a_day(lone, set(Cause) - HOME_SIDE - {Cause.NOT_SEPARABLE}, hours),
        "wrong_beside_harmless": sum(v.beside == "harmless" and not v.right for v in verdicts),
        "extra_beside_faults": sum(v.beside == "fault" and not v.right for v in verdicts),
        "calibration_error": calibration_error(rows),
        "brier": brier(verdicts),
        "reliability": rows,
        "abstention_right": sum(x.abstained == x.should_abstain for x in told) / len(told) if told else None,
        "abstained_needlessly": sum(bool(x.abstained) and not x.should_abstain for x in told),
        "abstention_omitted": sum(not x.abstained and x.should_abstain for x in told),
        "run_s_per_hour": sum(s.run_s for s in scores) / max(hours, 1e-9),
    }


def _within(delays: Sequence[float | None], limit_s: float) -> float | None:
    """Share of the delays that are known and at most a limit."""
    return sum(d is not None and d <= limit_s for d in delays) / len(delays) if delays else None


def _a_day(verdicts: Sequence[VerdictScore], causes: Iterable[Cause], hours: float) -> float:
    wanted = set(causes)
    return sum(v.cause in wanted for v in verdicts) / max(hours, 1e-9) * 24


def _upper(count: int, trials: int) -> float | None:
    if trials == 0:
        return None
    from scipy.stats import chi2

    return float(min(1.0, chi2.ppf(0.95, 2 * (count + 1)) / 2 / trials))


def confusion(scores: Sequence[Score]) -> list[dict[str, str | int]]:
    """Wrong answers by the true cause and what was said instead, the most frequent first."""
    counted = Counter((str(x.cause), x.said) for s in scores for x in s.labels if x.outcome == "wrong")
    return [{"truth": truth, "said": said, "times": n} for (truth, said), n in counted.most_common()]


def false_alarms(scores: Sequence[Score]) -> list[dict[str, str | int]]:
    """Wrong verdicts by cause and what was truly going on, the most frequent first."""
    counted = Counter((str(v.cause), v.beside) for s in scores for v in s.verdicts if not v.right)
    return [{"said": said, "beside": beside, "times": n} for (said, beside), n in counted.most_common()]


def by(scores: Sequence[Score], key: str) -> dict[str, Share]:
    """Shares of the faults by "cause", "rhythm" or "size"."""
    found: dict[str, list[LabelScore]] = {}
    for score in scores:
        for label in score.labels:
            found.setdefault(str(getattr(label, key)), []).append(label)
    return {name: share_of(found[name]) for name in sorted(found)}
