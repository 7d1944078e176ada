"""Page one: what is said, when, where, how bad, how the home's side looked meanwhile, and what is asked."""

from collections.abc import Sequence
from zoneinfo import ZoneInfo

from whichhop.model import CAUSE_TABLE, Cause, Owner, Session, derive_sessions
from whichhop.model.chain_signature import fingerprint
from whichhop.model.dossier import ChannelRow, Claim, Dossier, Happened, Wiring
from whichhop.model.figure_words import how_long
from whichhop.model.links import HOUSE_CABLING
from whichhop.report.blocks import Block, Bullets, FactList, Notice, Para, Picture, Section, Tone
from whichhop.report.home_side import home_cleared, home_faults, line_open_words
from whichhop.report.plot import describe, draw
from whichhop.report.reach import felt_besides, reach_besides, without_fault
from whichhop.report.sections.calls import overdue, tickets
from whichhop.report.sections.line import line_facts
from whichhop.report.standing import ReportStanding, plan_is_missed, standing_of
from whichhop.report.way import draw_way, draw_way_down
from whichhop.report.words import (
    HARD,
    NO_DELAY_S,
    at_most,
    figure,
    how_sure,
    span,
    utc_span,
    whose,
    with_interval,
)

SMALL_S = 0.001
PLAN_REQUEST = (
    "We kindly ask you to deliver the rate of the plan, or to tell us what keeps the line from carrying it."
    " The tests were made over links of the home that carry more, and their dates and rates are on record."
)
ONE_EPISODE = "This is one short episode so far: it shows that it happened, not that it keeps happening."
SHORT_S = 300.0
"""One episode under five minutes shows that something happened, not that it keeps happening; our own choice.
The guards before a claim (20 packets lost or a minute of added delay) can be met within a minute."""


def told_episodes(dossier: Dossier) -> tuple[Happened, ...]:
    """The episodes that the claim is about."""
    return tuple(h for h in dossier.episodes if h.claimed)


def one_short(dossier: Dossier) -> bool:
    """True when the claim rests on a single short episode; the report then says so in its first lines."""
    episodes = told_episodes(dossier)
    if len(episodes) != 1:
        return False
    return ((episodes[0].end_ns or dossier.end_ns) - episodes[0].start_ns) / 1e9 < SHORT_S


def subject(claim: Claim) -> str:
    """The cause in a householder's words, and its place."""
    if claim.cause is Cause.NOT_SEPARABLE or CAUSE_TABLE[claim.cause].words == claim.where:
        return claim.where
    return f"{CAUSE_TABLE[claim.cause].words} ({claim.where})"


def hurt(claim: Claim) -> str:
    """Loss and added delay in a few words, with intervals."""
    parts = []
    loss, added = figure(claim, "line-loss"), figure(claim, "line-added")
    if loss.value:
        parts.append(f"lost {with_interval(loss)} of the packets")
    if added.value is not None and added.value >= SMALL_S:
        parts.append(f"added {with_interval(added)} to the usual round trip")
    return " and ".join(parts) or "showed neither loss nor added delay over the episodes as a whole"


def _plan_notice(dossier: Dossier) -> Notice:
    return Notice(
        Tone.CLAIM,
        "The plan is not delivered",
        " ".join(row.words for row in dossier.plan if row.missed),
    )


LEVELS_FINE = {
    True: "Every level that was read is within what technicians aim for.",
    False: "What was read cannot be judged; what is missing is named under the levels.",
}
LEVELS_REQUEST = (
    "We kindly ask you to compare these levels with those that you see from your side, to open a ticket for a"
    " visit if they stand, and to tell us what you find."
)
_LEVELS_HEADS = {
    Wiring.MARGINAL: "The modem's levels are marginal",
    Wiring.BAD: "The modem's levels are outside their limits",
    Wiring.ENTERS_BAD: "The level is bad where it enters the house",
    Wiring.AT_FAULT: "The cabling in the house explains the modem's levels",
}
LEVELS_WHOSE = {
    Wiring.MARGINAL: f"It is the provider's to fix, or {HOUSE_CABLING}; no packet was seen to"
    f" suffer by it yet.",
    Wiring.BAD: f"It is the provider's to fix, or {HOUSE_CABLING}.",
    Wiring.ENTERS_BAD: "It is the provider's to fix.",
    Wiring.AT_FAULT: "It is the home's own to fix.",
}
SHOWN = 3


def _span_words(low: float | None, high: float | None, unit: str) -> str:
    if low is None or high is None:
        return ""
    return f"{low:.1f}{HARD}{unit}" if low == high else f"{low:.1f} to {high:.1f}{HARD}{unit}"


def _worst_of(rows: Sequence[ChannelRow], way: str, standing: str) -> str:
    """One direction's channels of that standing in a clause; "" where there are none."""
    mine = [r for r in rows if r.name.startswith(f"{'down' if way == 'downstream' else 'up'}-")]
    bad = [r for r in mine if r.standing == standing]
    if not bad:
        return ""
    mhz = [r.frequency_hz / 1e6 for r in bad if r.frequency_hz is not None]
    power = [r.power_dbmv for r in bad if r.power_dbmv is not None]
    snr = [r.snr_low_db for r in bad if r.snr_low_db is not None]
    lost = [r.uncorrectable for r in bad if r.uncorrectable]
    waits = [r.timeouts for r in bad if r.timeouts]
    facts = (
        _span_words(min(power), max(power), "dBmV") if power else "",
        f"SNR down to {min(snr):.1f}{HARD}dB" if snr else "",
        f"{sum(lost):,} uncorrectable codewords" if lost else "",
        f"{sum(waits):,} ranging time-outs" if waits else "",
    )
    where = f" at {_span_words(min(mhz), max(mhz), 'MHz')}" if mhz else ""
    said = "outside limits" if standing == "outside" else standing
    told = ", ".join(f for f in facts if f)
    return f"{len(bad)} of {len(mine)} {way} channels {said}{where}" + (f": {told}" if told else "")


def worst_levels(dossier: Dossier) -> tuple[str, ...]:
    """What stands out most in the modem's levels: a clause a direction, else the rules' own words."""
    for standing in ("outside", "marginal"):
        clauses = [_worst_of(dossier.channels, way, standing) for way in ("downstream", "upstream")]
        if found := tuple(c for c in clauses if c):
            return found
    return tuple(n.words for n in dossier.levels if n.standing in ("outside", "marginal"))[:SHOWN]


def levels_notice(dossier: Dossier) -> Notice:
    """What the levels come to where they are all there is to say."""
    found = worst_levels(dossier)
    counted = "" if dossier.levels_alone else "In the packets no fault was found. "
    return Notice(
        Tone.HOLD if dossier.wiring in (Wiring.MARGINAL, Wiring.AT_FAULT) else Tone.CLAIM,
        _LEVELS_HEADS[dossier.wiring],
        f"{counted}{'; '.join(found)}. {LEVELS_WHOSE[dossier.wiring]}",
    )


def _without_claim(dossier: Dossier) -> Notice:
    """Where no packet suffered: the levels, the plan, or nothing at all."""
    if standing_of(dossier) is ReportStanding.LEVELS:
        return levels_notice(dossier)
    if dossier.levels_alone:
        good = LEVELS_FINE[dossier.wiring is Wiring.GOOD]
        return Notice(Tone.NO_FAULT, "No fault found in the modem's levels", good)
    quiet = "In the whole span nothing that was measured exceeded its own quiet baseline"
    if plan_is_missed(dossier):
        text = f"{quiet}; what is claimed is the rate alone."
        return Notice(Tone.NO_FAULT, "No episode of delay or loss", text)
    return without_fault(dossier, f"{quiet}.")


def _notice(dossier: Dossier) -> Notice:
    claim = dossier.claim
    if claim is None:
        return _without_claim(dossier)
    count = len(told_episodes(dossier))
    length = how_long(figure(claim, "duration").value or 0.0)
    often = f"in {count} episodes, {length} in all" if count > 1 else f"for {length}"
    if claim.made and one_short(dossier):
        lasting = told_episodes(dossier)[0].end_ns is None
        lies, so_far = ("lies", " so far") if lasting else ("lay", "")
        return Notice(
            Tone.CLAIM,
            f"The fault {lies} in {subject(claim)}: one short episode{so_far}",
            f"It {hurt(claim)}, {often}. {home_cleared(dossier, claim)} This is one short episode{so_far}: it"
            " shows that it happened, not that it keeps happening.",
        )
    if claim.made:
        return Notice(
            Tone.CLAIM,
            f"The fault lies in {subject(claim)}",
            f"It {hurt(claim)}, {often}. {home_cleared(dossier, claim)}",
        )
    if claim.missing:
        return Notice(
            Tone.HOLD,
            "Not enough evidence yet to hold the provider to it",
            f"The measurements point to {subject(claim)}: it {hurt(claim)}, {often}. What is missing before"
            " that can be claimed is listed below.",
        )
    open_too = line_open_words(dossier)
    if claim.cause is Cause.NOT_SEPARABLE and claim.owner is Owner.NOBODY:
        said = "Not determined whose fault it is"
    elif open_too:
        said = "One fault is not the provider's; whose another one is was not determined"
    else:
        said = "Not the provider's fault, as far as was measured"
    text = f"The measurements point to {subject(claim)}: it {hurt(claim)}, {often}. It is {whose(claim)}."
    return Notice(Tone.HOLD, said, f"{text} {open_too}".rstrip())


def why_words(claim: Claim) -> str:
    """The cause inside the hop with the figures that speak for it, or that it cannot be told; else ""."""
    found = claim.inside
    if found is None:
        return ""
    named = found.named
    if named is not None:
        return found.line + (f": {'; '.join(named.evidence)}." if named.evidence else ".")
    return f"{found.line}." + (f" To tell: {found.settles[0]}." if found.settles else "")


def _facts(dossier: Dossier, zone: ZoneInfo) -> FactList:
    pairs = []
    claim, episodes = dossier.claim, told_episodes(dossier)
    if claim is not None and episodes:
        longest = max(episodes, key=lambda h: (h.end_ns or dossier.end_ns) - h.start_ns)
        last_ns = max(h.end_ns or dossier.end_ns for h in episodes)
        lasting = any(h.end_ns is None for h in episodes)
        words = ", and still ongoing when the measurements end" if lasting else ""
        first_ns = episodes[0].start_ns
        pairs += [
            ("When", span(first_ns, last_ns, zone) + words),
            ("The same in UTC", utc_span(first_ns, last_ns)),
        ]
        if len(episodes) > 1:
            end_ns = longest.end_ns or dossier.end_ns
            pairs.append(("Longest episode", span(longest.start_ns, end_ns, zone)))
        pairs.append(("Where", claim.where))
        pairs.append(
            (
                "How sure",
                how_sure(claim) + ", the least sure episode counted" * (len(episodes) > 1),
            )
        )
        if words := why_words(claim):
            pairs.append(("Why it is slow", words))
    maker = f"with the key {fingerprint(dossier.public_key)}" if dossier.public_key else "not signed"
    pairs.append(("Signed", maker))
    pairs.append(("Measured", span(dossier.start_ns, dossier.end_ns, zone)))
    packets = sum(row.samples for row in dossier.sessions)
    agents = len({row.session.partition(">")[0] for row in dossier.sessions})
    if dossier.sessions:
        pairs.append(
            (
                "By",
                f"{agents} measuring computer{'s (agents)' if agents > 1 else ' (agent)'},"
                f" {len(dossier.sessions)} session{'s' * (len(dossier.sessions) > 1)}, {packets:,} packets",
            )
        )
    return FactList(tuple(pairs))


def shown_session(dossier: Dossier) -> Session | None:
    """The session whose way is drawn: of the charts' lines the one that goes furthest, or where none of them
    crosses what is at fault, of all that were measured one that does."""
    shown = {line.session for chart in dossier.charts for line in chart.lines}
    measured = {row.session for row in dossier.sessions}
    sessions = derive_sessions(dossier.home)
    found = [s for s in sessions if str(s.key) in shown]
    if dossier.claim is not None and not any(_crosses(s, dossier.claim) for s in found):
        over = [s for s in sessions if str(s.key) in measured and _crosses(s, dossier.claim)]
        found = over or found
    return max(found, key=lambda s: len(s.path.links), default=None)


def _crosses(session: Session, claim: Claim) -> bool:
    there = {*session.path.nodes, *(k.name for k in session.path.links)}
    return any(name in there or name.partition(":")[2] in there for name in claim.elements)


def _pictures(dossier: Dossier, zone: ZoneInfo) -> list[Block]:
    out: list[Block] = []
    session = shown_session(dossier)
    suspects = dossier.claim.elements if dossier.claim else ()
    if session is not None:
        drawn = dossier.home, session.path.nodes, session.path.links, suspects
        shows = "the path to the internet, the link at fault drawn thick"
        out.append(
            Picture(
                svg=draw_way(*drawn),
                narrow=draw_way_down(*drawn),
                shows=shows,
                caption="The path to the internet as seen from " + session.key.agent + ".",
            )
        )
    if dossier.charts and standing_of(dossier) is not ReportStanding.LEVELS:
        chart = dossier.charts[-1]
        caption = (
            f"{chart.title}. Shaded: the episodes this report is about. A thin line is the worst moment."
        )
        out.append(Picture(svg=draw(chart, zone), shows=describe(chart), caption=caption))
    return out


def _home_side(dossier: Dossier, claim: Claim) -> Bullets:
    inside, slow = figure(claim, "beside-loss"), figure(claim, "beside-added")
    use, late = figure(claim, "own-use"), figure(claim, "host-lateness")
    provider = claim.owner in (Owner.PROVIDER, Owner.PROVIDER_OR_FURTHER)
    where = "Inside the home" if provider else "Beside it"
    rest = ", other faults left out" if home_faults(dossier) and not claim.not_left_out else ""
    items = [
        f"{where}, at the same moments{rest}: nothing was measured, so nothing is told of it."
        if not inside.count
        else f"{where}, at the same moments{rest}: {with_interval(inside)} lost of {inside.count:,} packets; "
        + (
            f"{with_interval(slow)} added to the usual round trip."
            if slow.value is not None and abs(slow.value) >= NO_DELAY_S
            else "no delay added."
            if slow.value is not None
            else "its delay is not known."
        )
    ]
    items.append(
        f"The home itself used at most {at_most(use.unit, use.value)} of its plan for 90 % of that time."
        if use.value is not None
        else "The home's own traffic was not measured."
    )
    if late.value is not None:
        items.append(
            f"The measuring computers (agents) were never late by more than {at_most(late.unit, late.value)};"
            " packets of a busy machine are not judged."
        )
    return Bullets(tuple(items))


def _request(dossier: Dossier) -> str:
    wanted = (
        "to tell us whether your own records show this episode, and what it was"
        if one_short(dossier)
        else "to look at this part of the path at the times given, and to tell us what you find"
    )
    return (
        f"We kindly ask you {wanted}. The pages behind this one say how it was measured and how every figure"
        " can be checked."
    )


def so_far(dossier: Dossier) -> str:
    """Calls, tickets and what was not kept, in a sentence or two."""
    named = tickets(dossier)
    late = overdue(dossier)
    many = len(dossier.calls)
    text = f"{many} call{'s' if many > 1 else ''} to the provider so far"
    text += f", ticket{'s' if len(named) > 1 else ''} {', '.join(named)}." if named else ", no ticket number."
    return text + "".join(f" Promised by {c.promised}: {c.text}." for c in late)


def _asked(dossier: Dossier) -> list[Block]:
    """What was said so far and what is asked for."""
    claim = dossier.claim
    out: list[Block] = [Para(so_far(dossier))] if dossier.calls else []
    if claim is not None and claim.made:
        out.append(Para(_request(dossier)))
    if standing_of(dossier) is ReportStanding.LEVELS and dossier.wiring is not Wiring.AT_FAULT:
        out.append(Para(LEVELS_REQUEST))
    if plan_is_missed(dossier):
        out.append(Para(PLAN_REQUEST))
    return out


def answer(dossier: Dossier) -> Section:
    """The first section: answer, line and request before any picture, so that page one has them."""
    zone = ZoneInfo(dossier.zone)
    claim = dossier.claim
    blocks: list[Block] = [_notice(dossier), line_facts(dossier), _facts(dossier, zone)]
    if plan_is_missed(dossier):
        blocks.insert(0, _plan_notice(dossier))
    if claim is not None and claim.missing:
        blocks += [
            Para("Missing before the provider can be asked to fix it:"),
            Bullets(claim.missing),
        ]
    blocks += _asked(dossier)
    if claim is not None:
        blocks += [Para("How the rest looked at the same moments:"), _home_side(dossier, claim)]
    # Without a claim the notice has both, unless the levels or the plan lead.
    if standing_of(dossier) not in (ReportStanding.FELT, ReportStanding.NO_FAULT):
        blocks += reach_besides(dossier)
    blocks += felt_besides(dossier)
    blocks += _pictures(dossier, zone)
    return Section(name="answer", title="In short", blocks=blocks)
