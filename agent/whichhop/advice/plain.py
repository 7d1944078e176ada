"""Steps for the home's other causes, a row each: the radio hop, its boxes, wires, own traffic, names."""

from collections.abc import Iterator

from msgspec import Struct

from whichhop.advice.facts import HomeFacts, of, trouble, trouble_words
from whichhop.advice.of_cause import is_told
from whichhop.advice.step import Recommendation, RecommendationKind
from whichhop.cabling.cautions import Hazard, cautions_for
from whichhop.compare.words import element_words, names_words
from whichhop.model import Cause, Home
from whichhop.model.inner_cause import Cost, Effort


class Cure(Struct, frozen=True, kw_only=True):
    """What helps against a cause of the home; all of it common practice but where a source is named."""

    key: str
    what: str
    effort: Effort
    cost: Cost
    hazards: tuple[Hazard, ...] = ()


CURES: dict[Cause, Cure] = {
    Cause.WIRELESS_HOP: Cure(
        key="help-radio-hop",
        what="Bring the two ends of {} nearer or out of each other's shade, or wire the device",
        effort=Effort.MINUTES,
        cost=Cost.NOTHING,
        hazards=(Hazard.LADDER,),
    ),
    Cause.WIRED_LAN: Cure(
        key="replace-cable",
        what="Put another cable, then another port, in place of {}",
        effort=Effort.MINUTES,
        cost=Cost.SMALL,
    ),
    Cause.HOME_NODE: Cure(
        key="look-at-box",
        what="Look at {}: heat, load, a crowded radio channel; restart it and see whether it stays well",
        effort=Effort.MINUTES,
        cost=Cost.NOTHING,
    ),
    Cause.OWN_TRAFFIC: Cure(
        key="tame-queue",
        what="Turn on queue management (RFC 7567, RFC 8290) at the router, a little under the line's rate",
        effort=Effort.MINUTES,
        cost=Cost.NOTHING,
    ),
    Cause.NAME_SERVICE: Cure(
        key="change-resolver",
        what="Use another resolver than {}",
        effort=Effort.MINUTES,
        cost=Cost.NOTHING,
    ),
}


def touched(home: Home, cause: Cause, elements: tuple[str, ...]) -> tuple[str, ...]:
    """Of a group that packets cannot split, what such a step is done to: its links, where the cause is one's.

    A machine at the link's end has no two ends to bring nearer and cannot be wired anew.
    """
    if cause not in (Cause.WIRELESS_HOP, Cause.WIRED_LAN):
        return elements
    links = {link.name for link in home.links}
    return tuple(e for e in elements if e in links) or elements


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """One step for each element that was at fault by such a cause."""
    for cause, cure in CURES.items():
        places = dict.fromkeys(v.elements for v in known.verdicts if v.cause is cause and not is_told(v))
        for elements in places:
            found = trouble(known, of(cause, elements))
            yield Recommendation(
                key=cure.key,
                kind=RecommendationKind.FIX,
                what=cure.what.format(names_words(touched(known.home, cause, elements))),
                where=" + ".join(elements),
                why=(f"{' or '.join(map(element_words, elements))} was at fault: {trouble_words(found)}",),
                **found.ends,
                effort=cure.effort,
                cost=cure.cost,
                cautions=cautions_for(cure.hazards),
            )
