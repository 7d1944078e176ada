"""The letter to the provider's support: one page that a person can sign and send."""

from zoneinfo import ZoneInfo

from whichhop.model.chain_signature import fingerprint
from whichhop.model.dossier import Dossier
from whichhop.report import words
from whichhop.report.blocks import Block, Bullets, FactList, Fixed, Notice, Para, Section, Tone
from whichhop.report.home_side import home_cleared
from whichhop.report.sections.answer import ONE_EPISODE, one_short, so_far, worst_levels
from whichhop.report.sections.calls import tickets
from whichhop.report.sections.integrity import digest
from whichhop.report.sections.line import (
    first_hop_words,
    modem_words,
    not_given,
    plan_words,
    target_words,
)
from whichhop.report.sections.plain import (
    about_words,
    level_sentence,
    sendable,
    utc_words,
    what_words,
    when_words,
)
from whichhop.report.standing import ReportStanding, standing_of

NOTHING_TO_SEND = Notice(
    Tone.HOLD,
    "Nothing to send yet",
    "The measurements do not hold the provider to anything. The report says what was found and"
    " what to collect.",
)
BLANK = "................"


def _requests(dossier: Dossier) -> tuple[str, ...]:
    standing = standing_of(dossier)
    named = tickets(dossier)
    ticket = f"Tell us how ticket {named[-1]} stands" if named else "Open a ticket and tell us its number"
    out = [f"{ticket}, and by what day we shall hear from you."]
    if standing is ReportStanding.CLAIM:
        out.append(
            "Compare these times with your own records of this line and of what it shares with others."
        )
    if standing is ReportStanding.PLAN:
        out.append("Tell us what keeps the line from carrying the plan's rate, and by when it will.")
    out.append(
        "Read the modem's levels, error counters and ranging history from your side at these"
        " times, and tell us"
        " what you see."
    )
    if not (standing is ReportStanding.CLAIM and one_short(dossier)):
        out.append("If they confirm it, send a technician to check the line up to the modem.")
    return tuple(out)


def letter(dossier: Dossier) -> Section:
    """The letter; where nothing is claimed, that there is nothing to send."""
    if not sendable(dossier):
        return Section(name="letter", title="Letter", blocks=[NOTHING_TO_SEND])
    said, zone = dossier.home.service, ZoneInfo(dossier.zone)
    route = dossier.route
    missing = not_given(dossier)
    facts = (
        ("From", said.customer or BLANK),
        ("Service address", said.address or BLANK),
        ("Account", said.account or BLANK),
        ("Reached at", BLANK),
        ("Ticket", ", ".join(tickets(dossier)) or "none yet"),
        ("Date", words.day(dossier.made_ns, zone)),
        ("Subject", about_words(dossier)),
    )
    evidence = (
        ("When", when_words(dossier)),
        ("In UTC", utc_words(dossier)),
        ("Where", dossier.claim.where if dossier.claim and dossier.claim.made else ""),
        ("Modem", modem_words(dossier) or BLANK),
        ("Plan", plan_words(dossier)),
        ("Your first hop", first_hop_words(dossier)),
        ("Tested against", target_words(dossier)),
        (
            "Route",
            " > ".join(", ".join(s.addresses) or "silent" for s in route.steps) if route is not None else "",
        ),
    )
    blocks: list[Block] = [
        FactList(facts),
        Para("To the technical support"),
        Para(what_words(dossier)),
        FactList(tuple((a, b) for a, b in evidence if b)),
    ]
    claim = dossier.claim
    if claim is not None and claim.made:
        short = f" {ONE_EPISODE}" if one_short(dossier) else ""
        blocks.append(Para(home_cleared(dossier, claim) + short))
    if standing_of(dossier) is not ReportStanding.LEVELS and worst_levels(dossier):
        blocks.append(Para(level_sentence(dossier)))
    if dossier.calls:
        blocks.append(Para(so_far(dossier)))
    blocks += [
        Para("We kindly ask you to:"),
        Bullets(_requests(dossier)),
        Para(
            "The full report, with every figure, its times in UTC and the data it was taken"
            " from, goes with this"
            " letter. Its data has this digest (SHA-256):"
        ),
        Fixed(digest(dossier)),
    ]
    if dossier.public_key:
        blocks.append(Para(f"Both are signed with the key {fingerprint(dossier.public_key)}."))
    blocks.append(Para(f"Yours faithfully, {said.customer or BLANK}"))
    if missing:
        blocks.append(Para(f"To be filled in by hand before it is sent: {', '.join(missing)}."))
    return Section(name="letter", title="Letter", blocks=blocks)
