"""For the customer, in plain words: what is wrong, whose it is, what to do and say now."""

from zoneinfo import ZoneInfo

from whichhop.model import CAUSE_TABLE, Cause, Owner
from whichhop.model.dossier import Claim, Dossier, Happened, Wiring
from whichhop.report import words
from whichhop.report.blocks import Block, Bullets, Notice, Para, Picture, Section, Tone
from whichhop.report.home_side import MOST_FAULTS, home_cleared, home_faults, may_be_home, when
from whichhop.report.reach import felt_besides, without_fault
from whichhop.report.sections.answer import (
    LEVELS_WHOSE,
    one_short,
    shown_session,
    subject,
    worst_levels,
)
from whichhop.report.sections.calls import overdue, tickets
from whichhop.report.sections.plain import (
    FIRST_HOME_STEPS,
    is_ongoing,
    pattern_words,
    sendable,
    simple_loss,
    what_words,
    when_words,
)
from whichhop.report.standing import (
    POOR,
    ReportStanding,
    plan_is_missed,
    standing_of,
    too_short,
)
from whichhop.report.way import draw_way, draw_way_down
from whichhop.report.words import OWNERS, how_sure, probability, whose

LOOK = (
    "Look at the cabling from the wall to the modem: every connector hand-tight, no splitter"
    " that nothing needs."
    " Leave the grounding block, the outside line and the provider's box alone, and an alarm's"
    " or a telephone's"
    " splitter too."
)
CALL = (
    "Call the provider with the call script in your hand; write down who answers, the ticket number and"
    " the day."
)
KEEP_ON = (
    "Let it go on measuring: this is one short episode so far, and a support desk asks for more."
    " Call when it has"
    " come back; the call script says what to say."
)
SEND = "Send the letter and the report where they tell you."
NOT_NOW = "Do not buy a new router or reset anything to factory settings: that would not change this fault."


def _felt(claim: Claim) -> str:
    """What a fault in the home did to the test packets."""
    own = claim.cause is Cause.OWN_TRAFFIC
    where = "While the home's own traffic filled the line" if own else f"At {claim.where}"
    return f"{where}, {simple_loss(claim) or 'packets were disturbed'}"


def _head(dossier: Dossier, claim: Claim | None) -> Notice:
    be, lies = ("is", "lies") if is_ongoing(dossier) else ("was", "lay")
    match standing_of(dossier), claim:
        case ReportStanding.CLAIM, Claim():
            return Notice(
                Tone.CLAIM,
                f"The internet line {be} at fault" + ("" if _at_home(dossier) else ", not your Wi-Fi")
                if claim.owner is Owner.PROVIDER
                else f"The provider's network {be} at fault"
                + ("" if _at_home(dossier) else ", not your home"),
                f"Between your modem and the provider, {simple_loss(claim) or 'packets were disturbed'}:"
                f" {when_words(dossier)}. It is {OWNERS[claim.owner]}.",
            )
        case ReportStanding.PLAN, _:
            return Notice(Tone.CLAIM, "You do not get the rate that you pay for", what_words(dossier))
        case ReportStanding.LEVELS, _:
            return Notice(
                Tone.HOLD,
                "The signal at your modem is poor",
                f"{'; '.join(w.partition(':')[0] for w in worst_levels(dossier))}. Connections"
                f" may break or slow"
                f" down because of it. {LEVELS_WHOSE[dossier.wiring]}",
            )
        case ReportStanding.NOT_YET, Claim():
            return Notice(
                Tone.HOLD,
                "It looks like the internet line, but it is not proven yet",
                f"The measurements point to {subject(claim)}: {when_words(dossier)}.",
            )
        case ReportStanding.ELSEWHERE, Claim():
            return Notice(
                Tone.HOLD,
                _elsewhere(claim, lies),
                f"{_felt(claim)}: {when_words(dossier)}. It is {whose(claim)}."
                + (f" {words}" if (words := pattern_words(claim)) else ""),
            )
        case _:
            quiet = f"Nothing was out of the ordinary, {when_words(dossier)}."
            return without_fault(dossier, quiet)


def _at_home(dossier: Dossier) -> bool:
    """Whether something in the home is at fault besides, or may be."""
    return any(
        not h.claimed and h.cause is not Cause.OWN_TRAFFIC and may_be_home(h) for h in dossier.episodes
    )


def _elsewhere(claim: Claim, lies: str) -> str:
    if claim.cause is not Cause.NOT_SEPARABLE:
        return f"The fault {lies} in {CAUSE_TABLE[claim.cause].words}, not in the internet line"
    if claim.owner is Owner.HOME:
        return f"The fault {lies} in the home, not in the internet line"
    return "Something is wrong, but where is not determined yet"


def _besides(dossier: Dossier) -> list[str]:
    """Other faults that are ongoing, whoever's they are: the reader feels them all at once; and those of the
    home that are over and were there at the same time."""
    zone = ZoneInfo(dossier.zone)
    over = [h for h in home_faults(dossier) if h.end_ns is not None]
    going_on = [h for h in dossier.episodes if h.end_ns is None and not h.claimed]
    said = [
        f"{_when_besides(dossier, h)}: {_episode_words(h)} (probability of fault"
        f" {probability(h.probability)}, {when(h, zone)})."
        for h in (*going_on, *over[:MOST_FAULTS])
    ]
    left = len(over) - MOST_FAULTS
    return [*said, f"And {left} more; the report has them all."] if left > 0 else said


def _when_besides(dossier: Dossier, episode: Happened) -> str:
    """Whether it was there together with what the page is about, or has only come after it."""
    ends = [h.end_ns for h in dossier.episodes if h.claimed]
    after = bool(ends) and all(end is not None and end <= episode.start_ns for end in ends)
    return "Since then" if after else "At the same time"


def _episode_words(episode: Happened) -> str:
    if episode.elements == (str(Cause.OWN_TRAFFIC),):
        if episode.end_ns is not None:
            return "the home's own traffic filled the line"
        return "the home's own traffic fills the line; pause it first"
    return f"a fault in {episode.where}"


AFTERWARDS = (
    "Do one of these at a time and write down when: a day later the measurements tell whether it helped"
    " (whichhop note, whichhop before-after)."
)


def _to_send(dossier: Dossier) -> tuple[str, ...]:
    """What to do where the provider is held to something."""
    late = (f"Remind them: by {c.promised} they promised: {c.text}." for c in overdue(dossier))
    ticket = (f"Name ticket {named[-1]}." for named in (tickets(dossier),) if named)
    cables = () if dossier.wiring is Wiring.ENTERS_BAD or plan_is_missed(dossier) else (LOOK,)
    once = dossier.claim is not None and one_short(dossier)
    return (*cables, KEEP_ON if once else CALL, *ticket, *late, *(() if once else (SEND,)), NOT_NOW)


NOT_THEIRS = "Do not call the provider about this: it would not change it."


def _of_home(claim: Claim) -> tuple[str, ...]:
    """What to do at home about what is not the line's, and what would tell where that is open."""
    general = FIRST_HOME_STEPS.get(claim.cause, "")
    if claim.cause is Cause.NOT_SEPARABLE and claim.owner is Owner.HOME:
        general = (
            "Push in the plugs of what is named above and restart its boxes, one after the other, and look"
            " after each for some minutes whether it has ended."
        )
    to_do = claim.steps[:2] or ((general,) if general else ())
    tells = claim.would_change[:2] if claim.cause is Cause.NOT_SEPARABLE else ()
    return (*to_do, *((AFTERWARDS,) if to_do else ()), *(f"To know which it is: {w}." for w in tells))


def _steps(dossier: Dossier, claim: Claim | None) -> tuple[str, ...]:
    if sendable(dossier):
        return _to_send(dossier)
    match standing_of(dossier):
        case ReportStanding.LEVELS:
            return (LOOK, "Have the levels read again afterwards; if they are no better, call the provider.")
        case ReportStanding.NOT_YET:
            missing = claim.missing if claim else ()
            return (
                "Do not call the provider yet. What is missing first:",
                *(f"{m[:1].upper()}{m[1:]}." for m in missing),
                *(f"To be surer: {w}." for w in (claim.would_change if claim else ())),
            )
        case ReportStanding.ELSEWHERE:
            if claim is not None and (do := _of_home(claim)):
                return (*do, *((NOT_THEIRS,) if claim.owner is Owner.HOME else ()))
            return ("Keep measuring; nothing that you do at home would change this.",)
        case _:
            return _without_fault_steps(dossier)


def _without_fault_steps(dossier: Dossier) -> tuple[str, ...]:
    if dossier.felt and dossier.felt[0].steps:
        return (*dossier.felt[0].steps, AFTERWARDS)
    more = " The modem's levels were not read." if dossier.wiring is Wiring.UNREAD else ""
    first = "Nothing needs to be done."
    if dossier.reach.unmeasured:
        first = "Have what was not measured measured as well, as is said above."
    elif too_short(dossier):
        first = "Measure for a day."
    elif dossier.reach.unusual:
        first = "Where nothing feels slow, nothing needs to be done."
    return (f"{first}{more} If it feels slow again, note the time.",)


def summary(dossier: Dossier) -> Section:
    """One page."""
    claim, zone = dossier.claim, ZoneInfo(dossier.zone)
    blocks: list[Block] = [_head(dossier, claim), *(Para(words) for words in _besides(dossier))]
    if standing_of(dossier) not in (ReportStanding.FELT, ReportStanding.NO_FAULT):
        blocks += [Para(words) for words in dossier.reach.not_measured]
    blocks += felt_besides(dossier)
    blocks += [Para("What to do now:"), Bullets(_steps(dossier, claim))]
    if sendable(dossier):
        spoken = simple_loss(claim) if claim is not None and claim.made else ""
        said = what_words(dossier)
        if claim is not None and spoken:
            cleared = home_cleared(dossier, claim, "my")
            said = f"Between my modem and you, {spoken}, and it was measured. {cleared}"
        blocks += [
            Para("What to say, in one breath:"),
            Para(f"“{said} Please open a ticket and tell me by when I shall hear from you.”"),
        ]
    session = shown_session(dossier)
    if session is not None and claim is not None:
        way = dossier.home, session.path.nodes, session.path.links, claim.elements
        drawn = {*session.path.nodes, *(k.name for k in session.path.links)}
        marked = any(name in drawn or name.partition(":")[2] in drawn for name in claim.elements)
        what = "the fault" if len(claim.elements) == 1 else "what may be at fault"
        blocks.append(
            Picture(
                svg=draw_way(*way),
                narrow=draw_way_down(*way),
                shows=f"the path to the internet{f', {what} marked' if marked else ''}",
                caption=f"The path to the internet{f'; {what} is marked' if marked else ''}.",
            )
        )
    if claim is not None:
        blocks.append(Para(f"How sure: {how_sure(claim)}."))
    if standing_of(dossier) is not ReportStanding.LEVELS and dossier.wiring in POOR:
        blocks.append(Para("The signal at the modem is poor as well; the report has its levels."))
    blocks.append(Para(f"Measured {words.span(dossier.start_ns, dossier.end_ns, zone)}."))
    return Section(name="summary", title="What to do now", blocks=blocks)
