"""The script for the call to the provider: what to say, what to ask, what they will ask back."""

from whichhop.model import LinkKind, Medium, NodeKind, derive_sessions
from whichhop.model.dossier import Dossier, Wiring
from whichhop.report.blocks import Block, Bullets, FactList, Grid, Para, Section
from whichhop.report.home_side import home_cleared, home_faults
from whichhop.report.reach import felt_besides, felt_line
from whichhop.report.sections.answer import ONE_EPISODE, one_short, worst_levels
from whichhop.report.sections.calls import overdue, tickets
from whichhop.report.sections.letter import NOTHING_TO_SEND
from whichhop.report.sections.line import first_hop_words, modem_words, plan_words
from whichhop.report.sections.plain import (
    level_sentence,
    pattern_words,
    sendable,
    simple_loss,
    utc_words,
    what_words,
    when_words,
)
from whichhop.report.standing import ReportStanding, standing_of
from whichhop.report.words import at_most, figure, with_interval

NO_CLAIM = "It was not measured: say so."
LOOK_AT_CABLES = {
    Wiring.GOOD: "The modem's levels are good. Before the call look all the same: every"
    " connector from the wall to"
    " the modem hand-tight, no unused splitter between.",
    Wiring.ENTERS_BAD: "The level is bad where it enters the house already; the cabling inside"
    " was worked out.",
}
LOOK_FIRST = (
    "Look before the call: every connector from the wall to the modem hand-tight, no unused"
    " splitter between. Leave"
    " the grounding block, the outside line and the provider's box alone."
)


def _cabled(dossier: Dossier) -> tuple[str, ...]:
    """Computers that measure, whose way to the modem has neither Wi-Fi nor power line nor coax adapters."""
    out = []
    computers = [a for a in dossier.home.agents if a.kind is NodeKind.HOST]
    for agent in computers:
        ways = [s.path.links for s in derive_sessions(dossier.home) if s.key.agent == agent.name]
        far = max(ways, key=len, default=())
        inner = [k for k in far if k.kind not in (LinkKind.ACCESS, LinkKind.BEYOND)]
        if inner and all(k.kind is LinkKind.WIRED or k.medium is Medium.ETHERNET for k in inner):
            out.append(agent.name)
    return tuple(out)


def _wifi_answer(dossier: Dossier) -> str:
    claim = dossier.claim
    if claim is None or not claim.made:
        return (
            "Only the modem and the line are meant; Wi-Fi has no part in its levels."
            if (standing_of(dossier) is ReportStanding.LEVELS)
            else "Tests that the home's own links could have limited were left out."
        )
    inside = figure(claim, "beside-loss")
    if inside.value is None:
        return "Inside the home nothing was measured at the same moments: say so."
    lost = f"{with_interval(inside)} of {inside.count:,} packets were lost at the same moments."
    if claim.not_left_out:
        return f"Not alone, as far as can be told: inside the home {lost}"
    if home_faults(dossier):
        return f"Not this. With what else was at fault left out, inside the home {lost}"
    return f"No. Inside the home {lost}"


def _cable_answer(dossier: Dossier) -> str:
    named = _cabled(dossier)
    if named:
        return f"Yes: {' and '.join(named)} measure{'s' if len(named) == 1 else ''} by Ethernet cable."
    return (
        "No computer measures by Ethernet cable all the way. If they insist, connect one to the"
        " router by cable"
        " and measure again."
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _use_answer(dossier: Dossier) -> str:
    use = figure(dossier.claim, "own-use") if dossier.claim is not None else None
    if use is None or use.value is None:
        return NO_CLAIM
    return f"No. The home used at most {at_most(use.unit, use.value)} of the plan for 90 % of that time."


def _questions(dossier: Dossier) -> tuple[tuple[str, str], ...]:
    said = dossier.home.service
    account = f"Account {said.account}" if said.account else "Have the bill at hand"
    address = said.address or "the service address"
    plan, felt = [row.words for row in dossier.plan], dossier.felt[:1]
    rows = [
        ("Which account and address?", f"{account}; {address}."),
        ("Which modem?", (modem_words(dossier) or "Read model and MAC from its label") + "."),
        ("Since when?", f"{_capital(when_words(dossier))}. In UTC: {utc_words(dossier)}."),
    ]
    if standing_of(dossier) is ReportStanding.CLAIM:
        rows.append(("Are you using the line yourself?", _use_answer(dossier)))
    rows += [
        ("Is it your Wi-Fi?", _wifi_answer(dossier)),
        ("Have you tried a computer by cable?", _cable_answer(dossier)),
        (
            "Have you restarted the modem?",
            "Do it once before the call, after its levels were read, and note when: a restart"
            " sets its counters"
            " to zero.",
        ),
        ("Is there a splitter or a loose cable?", LOOK_AT_CABLES.get(dossier.wiring, LOOK_FIRST)),
        ("What does a rate test say?", " ".join(plan) or "None was made against the plan: say so."),
        ("Which lights are on?", "Look at the modem during the call and say what you see."),
        (
            "Shall a technician come?",
            "Ask first what the visit costs if they find the cabling in the house at fault, and"
            " who decides that.",
        ),
        *(
            ("Is anything else wrong?", f"This besides, which is not what I call about: {felt_line(f)}")
            for f in felt
        ),
        (
            "Everything looks fine from here.",
            "Ask for the levels, error counters and ranging history at these times, not now; then ask for the"
            " second line, which can read the report.",
        ),
    ]
    return tuple(rows)


def _say(dossier: Dossier) -> tuple[str, ...]:
    said, claim = dossier.home.service, dossier.claim
    named = tickets(dossier)
    out = [
        f"I am calling about {f'account {said.account}' if said.account else 'my account'}"
        + (f", {said.address}" if said.address else "")
        + (f", ticket {named[-1]}." if named else ".")
    ]
    if standing_of(dossier) is ReportStanding.CLAIM and claim is not None:
        plain = simple_loss(claim) or "packets were disturbed"
        out.append(f"Between the modem and you, {plain}: {when_words(dossier)}.")
        out.append(home_cleared(dossier, claim, "my"))
        out += [words] if (words := pattern_words(claim)) else []
        out += [ONE_EPISODE] if one_short(dossier) else []
    else:
        out.append(what_words(dossier))
    out += [f"By {c.promised} I was promised: {c.text}. That day is over." for c in overdue(dossier)]
    return tuple(out)


def _ask(dossier: Dossier) -> tuple[str, ...]:
    named = tickets(dossier)
    return (
        f"How does ticket {named[-1]} stand?" if named else "Please open a ticket. What is its number?",
        "What do you see of the modem's levels, errors and ranging at these times? (Write it down.)",
        f"Is anything known at your first hop, {first_hop_words(dossier)}, or of other customers on it?",
        "Where may I send the letter and the report, for the second line?",
        "What will be done, by what day, and who calls back?",
    )


def phone(dossier: Dossier) -> Section:
    """The script; where nothing is claimed, that there is nothing to call for."""
    blocks: list[Block]
    if not sendable(dossier):
        blocks = [NOTHING_TO_SEND, *felt_besides(dossier)]
        return Section(name="phone", title="For the call", blocks=blocks)
    blocks = [
        Para("Say:"),
        Bullets(_say(dossier)),
        Para("Ask:"),
        Bullets(_ask(dossier)),
        Grid(
            caption="What they will ask back",
            head=("They ask", "Answer"),
            rows=_questions(dossier),
        ),
    ]
    if worst_levels(dossier) and standing_of(dossier) is not ReportStanding.LEVELS:
        blocks.append(Para(level_sentence(dossier)))
    if words := plan_words(dossier):
        blocks.append(Para(f"The plan: {words}."))
    blocks += [
        Para("Write down during the call, and note it in the call log:"),
        FactList((("Spoke to", "." * 30), ("Ticket", "." * 30), ("Promised by", "." * 30))),
    ]
    return Section(name="phone", title="For the call", blocks=blocks)
