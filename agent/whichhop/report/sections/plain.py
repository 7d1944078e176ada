"""A dossier's facts as sentences for letter, call and summary; each figure once, with its interval."""

from zoneinfo import ZoneInfo

from whichhop.model import CAUSE_TABLE, Cause
from whichhop.model.dossier import Claim, Dossier, Happened, Wiring
from whichhop.model.figure_words import how_long
from whichhop.report import words
from whichhop.report.sections.answer import hurt, levels_notice, told_episodes, worst_levels
from whichhop.report.standing import ReportStanding, standing_of
from whichhop.report.words import figure, percent

FIRST_HOME_STEPS: dict[Cause, str] = {
    Cause.WIRELESS_HOP: "Move the device or the access point so that fewer walls stand between"
    " them, or connect"
    " the device by Ethernet cable.",
    Cause.BACKHAUL: "Move the mesh node nearer to the next one, or join the two by Ethernet cable.",
    Cause.WIRED_LAN: "Replace the Ethernet cable named above by a good one, then look at the switch's ports.",
    Cause.HOME_NODE: "Restart the box named above once and note when; if the fault comes back, replace it.",
    Cause.OWN_TRAFFIC: "Pause large uploads and downloads while calls or games run, or let the"
    " router limit them.",
}
"""Common practice; `whichhop advise` ranks steps by what was measured."""


def sendable(dossier: Dossier) -> bool:
    """True where there is something to hold the provider to."""
    standing = standing_of(dossier)
    if standing is ReportStanding.LEVELS:
        return dossier.wiring in (Wiring.BAD, Wiring.ENTERS_BAD)
    return standing in (ReportStanding.CLAIM, ReportStanding.PLAN)


def about_words(dossier: Dossier) -> str:
    """What the letter and the call are about, as a subject line."""
    match standing_of(dossier):
        case ReportStanding.CLAIM:
            assert dossier.claim is not None  # noqa: S101 - a claim stands
            return f"fault in {CAUSE_TABLE[dossier.claim.cause].words}"
        case ReportStanding.PLAN:
            return "the plan's rate is not delivered"
        case ReportStanding.LEVELS:
            return "the modem's levels are outside their limits"
        case _:
            return "nothing to ask for yet"


def when_words(dossier: Dossier) -> str:
    """When the episodes of the claim were, how often and how long; local time."""
    zone, episodes = ZoneInfo(dossier.zone), told_episodes(dossier)
    if not episodes or dossier.claim is None:
        return (
            f"measured from {words.span(dossier.start_ns, dossier.end_ns, zone).replace(' to ', ' until ')}"
        )
    last_ns = max(h.end_ns or dossier.end_ns for h in episodes)
    whole = words.span(episodes[0].start_ns, last_ns, zone)
    length = how_long(figure(dossier.claim, "duration").value or 0.0)
    if len(episodes) == 1:
        return f"{whole}, {length}{_still(episodes)}"
    return (
        f"{len(episodes)} episodes between {whole.replace(' to ', ' and ')}, {length} in"
        f" all{_still(episodes)}"
    )


def utc_words(dossier: Dossier) -> str:
    """The same span in UTC, which logs are kept in."""
    episodes = told_episodes(dossier)
    if not episodes:
        return words.utc_span(dossier.start_ns, dossier.end_ns)
    return words.utc_span(episodes[0].start_ns, max(h.end_ns or dossier.end_ns for h in episodes))


def _still(episodes: tuple[Happened, ...]) -> str:
    return ", still ongoing" if any(h.end_ns is None for h in episodes) else ""


def is_ongoing(dossier: Dossier) -> bool:
    """Whether an episode that the claim is about goes on."""
    return bool(_still(told_episodes(dossier)))


def what_words(dossier: Dossier) -> str:
    """What is wrong, in one or two sentences with the figures."""
    claim = dossier.claim
    out = []
    if claim is not None and claim.made:
        out.append(f"{_subject(claim)} {hurt(claim)}.")
        if words := pattern_words(claim):
            out.append(words)
    out += [row.words for row in dossier.plan if row.missed]
    if not out and standing_of(dossier) is ReportStanding.LEVELS:
        out.append(f"{levels_notice(dossier).head}: {'; '.join(worst_levels(dossier))}.")
    return " ".join(out)


def pattern_words(claim: Claim) -> str:
    """What the line's own signs point to, for who looks after it; "" where they name no cause."""
    named = claim.inside.named if claim.inside else None
    if named is None or not named.evidence:
        return ""
    return f"It looks like this: {named.words}; {'; '.join(named.evidence[:2])}."


def _subject(claim: Claim) -> str:
    words = CAUSE_TABLE[claim.cause].words
    return f"{words[:1].upper()}{words[1:]} ({claim.where})"


def level_sentence(dossier: Dossier) -> str:
    """The modem's levels in one sentence."""
    worst = worst_levels(dossier)
    if dossier.wiring is Wiring.UNREAD:
        return "The modem's levels were not read."
    return (
        f"The modem's levels: {'; '.join(worst)}."
        if worst
        else "Every level read of the modem is in its limits."
    )


def simple_loss(claim: Claim) -> str:
    """Loss and delay for somebody who reads no intervals: "1 of 8 test packets was lost"."""
    loss, added = figure(claim, "line-loss"), figure(claim, "line-added")
    parts = []
    if loss.value and loss.value >= 0.001:
        parts.append(f"about {percent(loss.value)} of the test packets were lost")
    if added.value is not None and added.value >= 0.001:
        parts.append(f"answers took about {added.value * 1e3:.0f} ms longer than usual")
    return " and ".join(parts)
