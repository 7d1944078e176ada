"""Calling the provider: only on a proven verdict that the modem's levels leave to the provider."""

from collections.abc import Iterator

from msgspec.structs import replace

from whichhop.advice.facts import HomeFacts, Trouble, trouble, trouble_words
from whichhop.advice.step import Recommendation, RecommendationKind
from whichhop.advice.worth import EFFORT, KNOWING
from whichhop.compare.suspects.vantage import advice_for
from whichhop.model import Cause, Verdict
from whichhop.model.figure_words import utc_of
from whichhop.model.inner_cause import Cost, Effort
from whichhop.model.links import PROVIDERS, Owner

SHORT_S = 300.0
"""One episode under five minutes shows that it happened, not that it keeps happening: our own choice."""


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """The call, where it is proven; what to collect, where it is only likely."""
    proven = trouble(
        known,
        lambda v, line: v.cause in PROVIDERS and v.proven and (line is None or line.whose is Owner.PROVIDER),
    )
    if len(proven.verdicts) == 1 and proven.seconds < SHORT_S:
        yield _once(known, proven)
    elif proven.verdicts:
        yield Recommendation(
            key="call-provider",
            kind=RecommendationKind.FIX,
            what="Report it to the provider, with the evidence",
            where="access" if any(v.cause is Cause.UPSTREAM_LINK for v in proven.verdicts) else "beyond",
            why=(f"proven, every guard met: {trouble_words(proven)}",),
            **proven.ends,
            effort=Effort.VISIT,
            cost=Cost.NOTHING,
            commands=(
                _command(known, proven.verdicts, "--pdf report.pdf --letter letter.pdf --phone call.pdf"),
                f"whichhop call-log {known.file} 'called support about this fault'",
            ),
        )
    yield from _to_collect(known)


def likely(verdict: Verdict) -> bool:
    """Whether it may be the provider's, and something is missing before that can be claimed."""
    near = verdict.cause in PROVIDERS or verdict.near_line
    return near and not verdict.proven and bool(verdict.missing)


def first_would(verdict: Verdict) -> str:
    """What can be done first to make it surer; empty for nothing."""
    return verdict.would_change[0] if verdict.would_change else ""


def _to_collect(known: HomeFacts) -> Iterator[Recommendation]:
    """What is missing of what is likely: a step for each thing to do, about what it settles."""
    for first in dict.fromkeys(first_would(v) for v in known.verdicts if likely(v)):
        found = trouble(known, lambda v, _, f=first: likely(v) and first_would(v) == f)  # type: ignore[misc]
        missing = tuple(dict.fromkeys(m for v in found.verdicts for m in v.missing))
        would = tuple(dict.fromkeys(w for v in found.verdicts for w in v.would_change))
        # What somebody can do goes first; why it takes it, behind the colon.
        act = first.partition(": ")[0]
        what = (
            f"{act[0].upper()}{act[1:]} (needed before the provider can be asked to fix it)"
            if act
            else f"Collect what is missing before the provider can be asked to fix it: {'; '.join(missing)}"
        )
        yield Recommendation(
            key="collect-evidence",
            kind=RecommendationKind.TELL,
            what=what,
            where="access",
            why=(
                f"likely, not proven: {trouble_words(found)}",
                *((f"missing: {'; '.join(missing)}",) if act else ()),
                *(f"to be surer: {w}" for w in would),
            ),
            gains=(replace(found.gain, about="once the fault is proven to be theirs"),),
            worth=KNOWING * found.share,
            now=found.now,
            effort=_effort(known, first),
            cost=Cost.NOTHING,
        )


def _effort(known: HomeFacts, first: str) -> Effort:
    """What an addition takes, where that is what is to be done; else an hour, as for reading counters."""
    groups = tuple({v.elements for v in known.verdicts if first_would(v) == first})
    additions = advice_for(known.home, known.sessions, groups) if first else ()
    return next((EFFORT[one.effort] for one in additions if one.words == first), Effort.HOUR)


def _once(known: HomeFacts, proven: Trouble) -> Recommendation:
    """One short episode is proven, but a support desk will ask for more than one."""
    return Recommendation(
        key="keep-measuring",
        kind=RecommendationKind.TELL,
        what="Keep measuring: one short episode is proven, and a support desk asks for more",
        where="access",
        why=(f"proven, every guard met: {trouble_words(proven)}", "it came once and was over soon"),
        now=proven.now,
        effort=Effort.MINUTES,
        cost=Cost.NOTHING,
        commands=(_command(known, proven.verdicts, "--html report.html"),),
    )


def _command(known: HomeFacts, verdicts: tuple[Verdict, ...], papers: str) -> str:
    first = min(v.start_ns for v in verdicts)
    last = max(v.end_ns or known.end_ns for v in verdicts)
    hour = 3600 * 10**9  # an hour of quiet before and after shows the difference
    span = (max(known.start_ns, first - hour), min(known.end_ns, last + hour))
    start, end = (f"{utc_of(ns):%Y-%m-%dT%H:%MZ}" for ns in span)
    return f"whichhop evidence {known.file} --from {start} --to {end} {papers}"
