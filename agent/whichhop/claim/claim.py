"""What may be said to the provider: the episodes it is held to, the figures, or what is missing to say it."""

from collections.abc import Mapping, Sequence

import numpy as np

from whichhop.claim.alone import told_apart
from whichhop.claim.figures import (
    added,
    added_figure,
    answered_of,
    column_loss,
    figures_of,
    loss_figure,
    medians,
    quiet_medians,
)
from whichhop.claim.span import OUTSIDE, JudgedSpan, Mask, inside_home
from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.windows.tally import Tally
from whichhop.compare.words import all_names_words, element_words, headline, names_words
from whichhop.model import CAUSE_TABLE, Cause, Owner, SessionKey, Verdict
from whichhop.model.dossier import Claim, Cleared, Figure, Happened, SessionRow
from whichhop.model.links import PROVIDERS

LEAST_ADDED_S = 0.001
"""Added delay under a millisecond is not worth anybody's time."""


def _length(span: JudgedSpan, verdict: Verdict) -> int:
    return int(np.count_nonzero(span.ticks_of([verdict])))


def chosen(span: JudgedSpan) -> tuple[Verdict, ...]:
    """The episodes the report is about, longest first: the provider's proven ones of one cause, else its
    unproven ones, groups that hold its line included, else the home's longest; empty when nothing
    happened."""
    for wanted in (
        [v for v in span.verdicts if v.cause in PROVIDERS and v.proven],
        [v for v in span.verdicts if _points_out(v)],
        list(span.verdicts),
    ):
        groups: dict[tuple[Cause, str], list[Verdict]] = {}
        for v in wanted:
            groups.setdefault((v.cause, v.elements[0]), []).append(v)
        if groups:
            most = max(groups.values(), key=lambda g: sum(_length(span, v) for v in g))
            return tuple(sorted(most, key=lambda v: (-_length(span, v), v.start_ns)))
    return ()


def _points_out(verdict: Verdict) -> bool:
    """Whether a verdict points to the provider, proven or not, alone or with what the line ends at."""
    return verdict.cause in PROVIDERS or verdict.near_line


def columns_for(span: JudgedSpan, verdict: Verdict) -> tuple[list[int], list[int]]:
    """Sessions over the culprit, and those that show the rest: inside the home for a provider's cause."""
    found = {e.name: e for e in elements_of(span.home, span.sessions)}
    named = [found[n] for n in verdict.elements if n in found]
    lead = next((e for e in named if e.cause is verdict.cause), named[0] if named else None)
    crossing = sorted(lead.column) if lead else []
    if _points_out(verdict):
        return crossing, [i for i, s in enumerate(span.sessions) if inside_home(s)]
    return crossing, [i for i in range(len(span.sessions)) if i not in crossing]


def _known(figure: Figure) -> tuple[float, float]:
    """The interval's ends, or the widest possible where there is none."""
    low = figure.low if figure.low is not None else float("-inf")
    high = figure.high if figure.high is not None else float("inf")
    return low, high


def stands_apart(figures: Mapping[str, Figure]) -> bool:
    """True when loss or added delay over the line is above the home's own and the quiet time's, intervals
    and all. Without the home's own figures nothing stands apart.

    Of what is ongoing since before measuring began there is no quiet time to hold anything against: its
    delay is held against what is usual for such links, which the home's side was by the verdict itself.
    """
    quiet = figures["quiet-loss"].value is not None
    loss, beside = _known(figures["line-loss"])[0], _known(figures["beside-loss"])[1]
    lossy = loss > (max(beside, _known(figures["quiet-loss"])[1]) if quiet else beside)
    delay = _known(figures["line-added"])[0]
    heard = quiet or figures["beside-loss"].value is None
    slow = delay > (max(_known(figures["beside-added"])[1], LEAST_ADDED_S) if heard else LEAST_ADDED_S)
    return lossy or slow


AFTER_DARK_S, DARK_S = 300.0, 60.0
"""A modem takes some minutes to find its line again after its power was cut (common practice: two to five); a
minute without a packet of any agent is no pause of one of them."""


def after_dark(span: JudgedSpan, verdict: Verdict) -> bool:
    """Whether no agent at all had sent a packet for a minute or more, up to some minutes before it began."""
    step_s = span.table.step_ns * 1e-9
    begin, back = span.span_of(verdict).start, -(-AFTER_DARK_S // step_s)
    dark = np.asarray(~span.table.sent.any(axis=1), dtype=bool)
    ends = np.flatnonzero(dark[:begin])
    if not ends.size or ends[-1] < begin - back:
        return False
    last = int(ends[-1])
    lit = np.flatnonzero(~dark[:last])
    first = int(lit[-1]) + 1 if lit.size else 0
    return (last + 1 - first) * step_s >= DARK_S


def _missing(span: JudgedSpan, verdicts: Sequence[Verdict], figures: Sequence[Figure]) -> tuple[str, ...]:
    named = {f.name: f for f in figures}
    missing = dict.fromkeys(m for v in verdicts for m in v.missing)
    if all(after_dark(span, v) for v in verdicts):
        missing.setdefault(
            "the same at another time: right before it no agent of the home measured, as in a power cut,"
            " after which every box of the home starts again and the modem looks for its line"
        )
    # Proven without counters is what let nothing through for longer than any traffic of the home's own does.
    if named["own-use"].value is None and not all(v.proven for v in verdicts):
        missing.setdefault("own traffic is not known")
    if not stands_apart(named):
        missing.setdefault(
            "more packets: the loss or delay over the line does not stand clear of the home's own and of the"
            " quiet time's, intervals included"
        )
    return tuple(missing)


def _cleared(verdicts: Sequence[Verdict]) -> tuple[Cleared, ...]:
    """What every one of the episodes rules out, in the words of the longest."""
    always = set.intersection(*({r.what for r in v.ruled_out} for v in verdicts))
    return tuple(
        Cleared(what=element_words(r.what), why=r.why, sessions=r.sessions)
        for r in verdicts[0].ruled_out
        if r.what in always
    )


def telling(span: JudgedSpan, about: Sequence[Verdict]) -> Verdict | None:
    """The episode whose cause inside the hop is told for all of them: the surest of the cause that holds
    for most of their time, else the longest of those that were looked into; None where none was."""
    named: dict[str, list[Verdict]] = {}
    for v in about:
        if v.why is not None:
            named.setdefault(v.why.cause, []).append(v)
    if not named:
        return next((v for v in about if v.inside is not None), None)
    most = max(named.values(), key=lambda same: sum(_length(span, v) for v in same))
    return max(most, key=lambda v: v.why.probability if v.why else 0.0)


def _owner(span: JudgedSpan, verdict: Verdict) -> Owner:
    """Whose it is; the home's too where each of those that cannot be told apart is the home's."""
    others = {str(Cause.OWN_TRAFFIC), *(link.name for link in span.home.links if link.kind in OUTSIDE)}
    of_home = not any(e in others or e.startswith(("destination:", "resolver:")) for e in verdict.elements)
    group = verdict.cause is Cause.NOT_SEPARABLE and of_home
    return Owner.HOME if group else CAUSE_TABLE[verdict.cause].owner


def usual_of(verdict: Verdict) -> Mapping[str, float]:
    """By session, what its round trip is held against where it has no quiet time; empty of what changed."""
    return (verdict.baseline or {}) if verdict.standing else {}


def _shares(verdict: Verdict) -> tuple[tuple[str, float], ...]:
    """What each of several that cannot be told apart has of the probability; empty for one cause."""
    if verdict.cause is not Cause.NOT_SEPARABLE or not verdict.shares:
        return ()
    return tuple((element_words(name), p) for name, p in sorted(verdict.shares.items(), key=lambda i: -i[1]))


def _included_words(names: Sequence[str]) -> str:
    return f" (that over {all_names_words(names)} included)" if names else ""


def claim_of(span: JudgedSpan) -> tuple[Claim | None, tuple[Verdict, ...], Mask, tuple[int, ...]]:
    """The claim, its episodes, their ticks and the crossing sessions; no claim when nothing happened."""
    about = chosen(span)
    ticks = span.ticks_of(about)
    if not about:
        return None, (), ticks, ()
    lead = about[0]
    crossing, beside = columns_for(span, lead)
    over, rest = answered_of(span, crossing), answered_of(span, beside)
    alone, included = told_apart(span, about, ticks, (over, rest))
    in_line, in_rest = (_included_words(names) for names in included)
    figures = figures_of(alone, ticks, over, rest, usual_of(lead), included=(in_line, in_rest))
    provider = lead.cause in PROVIDERS
    missing = _missing(span, about, figures) if _points_out(lead) else ()
    claim = Claim(
        made=provider and not missing,
        cause=lead.cause,
        owner=_owner(span, lead),
        elements=lead.elements,
        where=lead.place or names_words(lead.elements),
        sentence=headline(lead),
        probability=min(v.probability for v in about),
        missing=missing,
        would_change=tuple(dict.fromkeys(w for v in about for w in v.would_change)),
        figures=figures,
        cleared=_cleared(about),
        inside=told.inside if (told := telling(span, about)) else None,
        not_left_out=tuple(dict.fromkeys(name for names in included for name in names)),
        shares=_shares(min(about, key=lambda v: v.probability)),
    )
    return claim, about, ticks, tuple(crossing)


def happened(span: JudgedSpan, claimed: Sequence[Verdict], crossing: Sequence[int]) -> tuple[Happened, ...]:
    """Every episode of the span, in the order of time.

    Those that the claim is about get the claim's own rule, so that one episode alone shows the claim's value.
    """
    quiet = quiet_medians(span, usual_of(claimed[0])) if claimed else None
    crossing = answered_of(span, crossing)
    alone, _ = told_apart(span, claimed, span.ticks_of(claimed), (crossing,))
    out = []
    for v in span.verdicts:
        added_s = v.severity.added_p50_s if v.severity else None
        loss = v.severity.loss_ratio if v.severity else None
        if v in claimed and quiet is not None:
            ticks = span.ticks_of([v])
            loss = loss_figure("", "", *column_loss(alone, ticks, crossing)).value
            added_s = added_figure("", "", added(alone, quiet, ticks, crossing)).value
        out.append(
            Happened(
                cause=v.cause,
                elements=v.elements,
                where=names_words(v.elements),
                start_ns=v.start_ns,
                end_ns=v.end_ns,
                probability=v.probability,
                proven=v.proven,
                claimed=v in claimed,
                added_p50_s=added_s,
                loss_ratio=loss,
                why=v.why,
            )
        )
    return tuple(out)


def _or_none(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def session_rows(
    span: JudgedSpan, ticks: Mask, crossing: Sequence[int], tallies: Mapping[SessionKey, Tally]
) -> tuple[SessionRow, ...]:
    """One row a session, in the span's order. tallies: of the same span, by the span's own keys."""
    quiet = quiet_medians(span)
    during = medians(np.where(span.speaks & ticks[:, None], span.table.q50_s, np.nan))
    heard, calm = span.speaks & ticks[:, None], span.speaks & span.quiet[:, None]
    (sent, lost), (quiet_sent, quiet_lost) = (
        [
            np.where(where, counts, 0).sum(axis=0, dtype=np.int64)
            for counts in (span.table.sent, span.table.lost)
        ]
        for where in (heard, calm)
    )
    out = []
    for i, session in enumerate(span.sessions):
        tally = tallies[session.key]
        out.append(
            SessionRow(
                session=str(session.key),
                path=session.path.nodes,
                crosses=i in crossing,
                method=session.key.method,
                samples=tally.samples,
                aside=tally.aside,
                duplicates=tally.duplicates,
                reordered=tally.reordered,
                sent=int(sent[i]),
                lost=int(lost[i]),
                median_s=_or_none(during[i]),
                quiet_sent=int(quiet_sent[i]),
                quiet_lost=int(quiet_lost[i]),
                quiet_s=_or_none(quiet[i]),
                stamps=tally.stamps,
                clock_error_ns=tally.clock_error_ns,
                digest=tally.digest,
            )
        )
    return tuple(out)
