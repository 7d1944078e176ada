"""Verdicts held against the truth: right, wrong, missed, late; and whom they accused without cause."""

from collections.abc import Sequence

from msgspec import Struct

from suite.case import HOME_SIDE, PROVIDER_SIDE, SLACK_S, Case, Label
from suite.truth import group_of
from whichhop.model import Cause, LinkKind, Session, Verdict
from whichhop.model.units import NS_PER_S

LATE_S = 60.0
APART_S = 10.0
"""A verdict may begin a tick before what it is about: windows are no finer."""


class LabelScore(Struct, frozen=True, kw_only=True):
    """How one true fault fared: "exact", "wrong" or "missed"."""

    cause: Cause
    rhythm: str
    size: str
    outcome: str
    delay_s: float | None
    """From the fault's start to the first right verdict."""
    should_abstain: bool
    abstained: bool | None
    """Whether the right verdict named a group; None without one."""
    said: str = ""
    """What was said instead, for a wrong outcome: causes, in order of time."""
    standing: bool = False
    """True where it was there before the first packet; `delay_s` then counts from the first packet."""
    told: int = 0
    """How many right verdicts there were about it."""


class VerdictScore(Struct, frozen=True, kw_only=True):
    """How one verdict fared."""

    cause: Cause
    probability: float
    right: bool
    """Whether the printed sentence holds: the cause that is said, or that it is one of the group."""
    among: bool
    """Whether what is truly at fault is among the named elements, whatever the cause that is said."""
    proven: bool
    accuses: bool
    """True when it says that the provider is proven to be at fault."""
    suspects: bool
    """True when it names the provider without proof."""
    beside: str
    """What was truly going on: "fault", "harmless" or "nothing"."""
    own_headline: bool = False
    """True when it names the provider while the home uses its line and the provider is well."""
    unsplit: bool = False
    """True when it calls the provider proven though a box of the home has the line's sessions for its own."""


class Score(Struct, frozen=True, kw_only=True):
    """One method's answers to one case."""

    method: str
    case: str
    hours: float
    run_s: float
    labels: tuple[LabelScore, ...]
    verdicts: tuple[VerdictScore, ...]
    faults_home_side: int
    suite: str = "simulated"
    well: bool = False
    """True for a home without faults."""

    @property
    def blamed(self) -> bool:
        """True where somebody was named without reason in a home without faults."""
        return self.well and any(not v.right for v in self.verdicts)


def _touches(label: Label, verdict: Verdict, start_ns: int) -> bool:
    begin = (verdict.start_ns - start_ns) / NS_PER_S
    end = float("inf") if verdict.end_ns is None else (verdict.end_ns - start_ns) / NS_PER_S
    return begin < label.end_s + label.slack_s and end > label.start_s - SLACK_S / 3


def _boxes_like_the_line(case: Case, sessions: Sequence[Session]) -> bool:
    """Whether some box of the home forwards exactly the sessions that cross the line: none can split them."""
    line = next((k.name for k in case.scenario.home.links if k.kind is LinkKind.ACCESS), None)
    if line is None:
        return False
    return any(name.startswith(("forward:", "route:")) for name in group_of(line, case.scenario, sessions))


def _provider_elements(case: Case) -> frozenset[str]:
    return frozenset(k.name for k in case.scenario.home.links if k.kind in (LinkKind.ACCESS, LinkKind.BEYOND))


def _says(verdict: Verdict, label: Label) -> bool:
    """Whether a verdict that names the guilty element says its cause too."""
    return verdict.cause in (label.cause, Cause.NOT_SEPARABLE) or bool(
        frozenset(verdict.elements) & label.accept
    )


def spoken(verdicts: Sequence[Verdict], start_ns: int, warm_up_s: float) -> list[Verdict]:
    """The verdicts that count: not "healthy", and not over before the case's warm-up."""
    return [
        v
        for v in verdicts
        if v.cause is not Cause.HEALTHY and (v.end_ns is None or (v.end_ns - start_ns) / NS_PER_S > warm_up_s)
    ]


def score(
    method: str,
    case: Case,
    sessions: Sequence[Session],
    verdicts: Sequence[Verdict],
    *,
    start_ns: int,
    run_s: float,
) -> Score:
    """Hold a method's verdicts against a case's labels."""
    heard = spoken(verdicts, start_ns, case.warm_up_s)
    heard_of = case.heard(sessions)
    groups = {x.element: group_of(x.element, case.scenario, heard_of) for x in case.labels}
    boxes = _boxes_like_the_line(case, heard_of)

    def right(label: Label, verdict: Verdict) -> bool:
        if label.apart and (verdict.start_ns - start_ns) / NS_PER_S < label.start_s - APART_S:
            return False
        named = frozenset(verdict.elements)
        if named & label.accept:
            return True
        return label.element in named and (len(named) == 1 or named <= groups[label.element] | label.accept)

    labels = []
    for label in case.labels:
        if label.harmless:
            continue
        near = [v for v in heard if _touches(label, v, start_ns)]
        good = [v for v in near if right(label, v)]
        found = min(
            ((v.detected_ns or v.start_ns) - start_ns for v in good), default=None
        )  # the first right word counts
        labels.append(
            LabelScore(
                cause=label.cause,
                rhythm=label.rhythm,
                size=label.size,
                outcome="exact" if good else "wrong" if near else "missed",
                delay_s=None if found is None else max(0.0, found / NS_PER_S - label.start_s),
                should_abstain=len(groups[label.element]) > 1,
                abstained=len(good[0].elements) > 1 if good else None,
                standing=label.start_s == 0.0 and label.cause is not Cause.OWN_TRAFFIC,
                told=len(good),
                said="" if good else ", ".join(dict.fromkeys(str(v.cause) for v in near)),
            )
        )
    provider = _provider_elements(case)
    scored = []
    for verdict in heard:
        near_labels = [x for x in case.labels if _touches(x, verdict, start_ns)]
        good_labels = [x for x in near_labels if right(x, verdict)]
        said = [x for x in good_labels if _says(verdict, x)]
        blames = verdict.cause in PROVIDER_SIDE
        # To name the provider is right only while the provider's side truly is at fault.
        guilty = any(x.element in provider or x.accept & provider for x in near_labels)
        own = any(x.cause is Cause.OWN_TRAFFIC for x in near_labels)
        scored.append(
            VerdictScore(
                cause=verdict.cause,
                probability=verdict.probability,
                right=bool(said),
                among=bool(good_labels),
                proven=verdict.proven,
                accuses=blames and verdict.proven and not guilty,
                suspects=blames and not verdict.proven and not guilty,
                beside=(
                    "fault"
                    if any(not x.harmless for x in near_labels)
                    else "harmless"
                    if near_labels
                    else "nothing"
                ),
                own_headline=blames and own and not guilty,
                unsplit=verdict.cause is Cause.UPSTREAM_LINK and verdict.proven and boxes,
            )
        )
    return Score(
        method=method,
        case=case.name,
        hours=case.scenario.seconds / 3600,
        run_s=run_s,
        labels=tuple(labels),
        verdicts=tuple(scored),
        faults_home_side=sum(x.cause in HOME_SIDE for x in case.labels if not x.harmless),
        suite=str(case.scenario.profile),
        well=all(x.harmless for x in case.labels),
    )
