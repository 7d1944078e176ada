"""What may be said of the home's own network beside a fault of the provider: only what was measured, then."""

from zoneinfo import ZoneInfo

from msgspec.structs import replace

from whichhop.model import CAUSE_TABLE, Cause, LinkKind, Owner
from whichhop.model.dossier import Claim, Dossier, Happened, Wiring
from whichhop.model.figure_words import instant_words
from whichhop.model.links import HOUSE_CABLING
from whichhop.report.words import figure, span

MOST_FAULTS = 3
"""Faults of the home that are told one by one in a sentence; the table of episodes has them all."""
_CAVEAT = {
    Wiring.UNREAD: f"; {HOUSE_CABLING} is not excluded, since the modem's levels were not read.",
    Wiring.GOOD: f"; {HOUSE_CABLING} is not excluded, though every level that was read is within its limits.",
    Wiring.MARGINAL: f"; {HOUSE_CABLING} is not excluded, and the modem's levels are marginal.",
    Wiring.BAD: f"; {HOUSE_CABLING} is not excluded: the modem's levels are outside their limits, by that"
    " cabling or by the provider's drop.",
    Wiring.ENTERS_BAD: f", nor was {HOUSE_CABLING}: the level is bad where it enters the house.",
    Wiring.AT_FAULT: f"; {HOUSE_CABLING} explains the modem's levels.",
}


def may_be_home(episode: Happened) -> bool:
    """Whether it was the home's, its own traffic included, or cannot be told from it."""
    return episode.cause is Cause.NOT_SEPARABLE or CAUSE_TABLE[episode.cause].owner is Owner.HOME


def home_faults(dossier: Dossier) -> tuple[Happened, ...]:
    """What else was wrong in the home, or may have been, while the claim's episodes went on."""
    spans = [(h.start_ns, h.end_ns or dossier.end_ns) for h in dossier.episodes if h.claimed]
    return tuple(
        h
        for h in dossier.episodes
        if not h.claimed
        and may_be_home(h)
        and any(h.start_ns < end and start < (h.end_ns or dossier.end_ns) for start, end in spans)
    )


def _what(fault: Happened) -> str:
    words = CAUSE_TABLE[fault.cause].words
    if fault.cause is Cause.NOT_SEPARABLE:
        return f"one of these: {fault.where}"
    return words if words == fault.where else f"{words} ({fault.where})"


def when(fault: Happened, zone: ZoneInfo) -> str:
    """From and to, or since when it is ongoing."""
    if fault.end_ns is None:
        return f"since {instant_words(fault.start_ns, zone)}"
    return span(fault.start_ns, fault.end_ns, zone)


def _each(faults: tuple[Happened, ...], zone: ZoneInfo) -> str:
    """Each place with its times, or how often where it came again."""
    by_place: dict[str, list[Happened]] = {}
    for fault in faults:
        by_place.setdefault(_what(fault), []).append(fault)
    said = []
    for what, times in list(by_place.items())[:MOST_FAULTS]:
        first, last = times[0], times[-1]
        still = ", still ongoing" if last.end_ns is None else ""
        often = f", {len(times)} times" if len(times) > 1 else ""
        whole = replace(first, end_ns=last.end_ns)
        said.append(f"{what}, {when(whole, zone)}{still}{often}")
    if len(by_place) > MOST_FAULTS:
        said.append(f"{len(by_place) - MOST_FAULTS} more places, see the episodes")
    return "; ".join(said)


def beside_words(dossier: Dossier, claim: Claim) -> str:
    """What else was at fault in the home then, and whether the claim's figures hold it; else ""."""
    faults = home_faults(dossier)
    if not faults:
        return ""
    left_in = [f for f in faults if set(f.elements) & set(claim.not_left_out)]
    if not left_in:
        share = "What it did is left out of these figures."
    elif len(left_in) == len(faults):
        share = "Its share could not be left out of these figures: nothing else was heard then."
    else:
        named = " and ".join(dict.fromkeys(_what(f) for f in left_in))
        share = f"What it did is left out of these figures, but for {named}: nothing else was heard then."
    return f"At the same time this was at fault as well: {_each(faults, ZoneInfo(dossier.zone))}. {share}"


def line_open_words(dossier: Dossier) -> str:
    """What else may have been the provider's, where a report is about a fault of the home's; else ""."""
    outside = {link.name for link in dossier.home.links if link.kind in (LinkKind.ACCESS, LinkKind.BEYOND)}
    others = tuple(
        h
        for h in dossier.episodes
        if not h.claimed and h.cause is Cause.NOT_SEPARABLE and outside & set(h.elements)
    )
    return (
        f"Besides, this may have been the provider's: {_each(others, ZoneInfo(dossier.zone))}."
        if others
        else ""
    )


def home_cleared(dossier: Dossier, claim: Claim, whose: str = "the home's") -> str:
    """That the home was not the cause of what is claimed, as far as it was measured at those moments."""
    if figure(claim, "beside-loss").value is None:
        return f"{_capital(whose)} own network was not measured at the same moments, so it is not excluded."
    if claim.missing:
        return f"That {whose} own network was not the cause is not proven yet."
    beside = beside_words(dossier, claim)
    network = f"The rest of {whose} own network" if beside else f"{_capital(whose)} own network"
    said = f"{beside} {network} was measured at the same moments and was not the cause".lstrip()
    return said + (_CAVEAT[dossier.wiring] if claim.owner is Owner.PROVIDER else ".")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
