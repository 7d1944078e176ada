"""The one-sentence answer: what is wrong, whose it is, how sure, since when; or why none can be given."""

from collections.abc import Mapping, Sequence
from enum import StrEnum

from msgspec import Struct

from whichhop.compare.own_use_words import own_use_words
from whichhop.compare.words import (
    element_words,
    inside_words,
    level_words,
    owner_words,
    severity_words,
    silent_words,
    standing_words,
    target_words,
)
from whichhop.model import Cause, LinkKind, Verdict
from whichhop.model.bulletin import Bulletin, LinkNow, LinkState, ToldVerdict, Topic
from whichhop.model.figure_words import TOO_LITTLE_YET, how_long
from whichhop.model.finding import telling_order
from whichhop.model.inner_cause import FELT_WORDS
from whichhop.model.units import NS_PER_S
from whichhop.serve.page.figures import probability

LIKELIER_THAN_NOT = 0.5
"""Of several places one that is likelier than all others together is told by itself."""
YOUNG_S = 3600.0
"""Before an hour was measured nobody knows how a home usually answers."""
OLD_NS = 60 * NS_PER_S
"""A bulletin older than this is old: one comes every 10 s and speaks of packets settled 8 s ago."""


class Mood(StrEnum):
    """What the answer looks like."""

    NO_FAULT = "no-fault"
    FAULT = "fault"
    UNSURE = "unsure"
    WAITING = "waiting"


class Sentence(Struct, frozen=True, kw_only=True):
    """The answer. `since_ns`: when it began; `told`: the verdict that it speaks of."""

    mood: Mood
    words: str
    more: tuple[str, ...] = ()
    since_ns: int | None = None
    told: ToldVerdict | None = None


_BLAME: dict[Cause, str] = {
    Cause.WIRELESS_HOP: "{} is at fault.",
    Cause.BACKHAUL: "{} is at fault.",
    Cause.WIRED_LAN: "The home's wiring is at fault: {}.",
    Cause.HOME_NODE: "{} is at fault.",
    Cause.OWN_TRAFFIC: "The home's own traffic fills the access line.",
    Cause.AGENT_HOST: "The fault is in an agent, not in the network: {}.",
    Cause.UPSTREAM_LINK: "The access line is at fault.",
    Cause.BEYOND: "The provider's network, or what lies beyond it, is at fault.",
    Cause.DESTINATION: "The fault is in one destination only: {}.",
    Cause.NAME_SERVICE: "The name service is at fault: {}.",
    Cause.RESPONDER: "Nothing you would feel: {} are slow, but what it forwards is not.",
    Cause.NOT_SEPARABLE: "Something is wrong, but these cannot be told apart: {}.",
    Cause.HEALTHY: "No fault found.",
}


_LINKS = {
    LinkKind.WIRELESS: "the wireless hop between {} and {}",
    LinkKind.BACKHAUL: "the backhaul between {} and {}",
    LinkKind.WIRED: "the cable between {} and {}",
    LinkKind.ACCESS: "the access line",
    LinkKind.BEYOND: "the network past the provider's first hop",
}


def place(name: str, links: Mapping[str, LinkNow]) -> str:
    """An element in a reader's words."""
    link = links.get(name)
    return element_words(name) if link is None else _LINKS[link.kind].format(link.near, link.far)


def places(names: Sequence[str], links: Mapping[str, LinkNow], last: str = "or") -> str:
    """Several elements in a row; one of them is meant, or with "and" all of them."""
    words = [place(n, links) for n in names]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}"


def blame(verdict: Verdict, links: Mapping[str, LinkNow], *, over: bool | None = None) -> str:
    """What is wrong, or was, in a sentence without probability; over: None goes by the verdict's end."""
    over = verdict.end_ns is not None if over is None else over
    if verdict.place:
        words = f"{verdict.place}: one of these {'was' if over else 'is'} at fault."
        return words[0].upper() + words[1:]
    words = _past(_BLAME[verdict.cause]) if over else _BLAME[verdict.cause]
    words = words.format(places(verdict.elements, links))
    words = words[0].upper() + words[1:]
    if verdict.proven:
        return words
    return f"Probably {words[0].lower()}{words[1:].rstrip('.')}; proof is still missing."


_PAST = {
    " is at fault": " was at fault",
    " is wrong": " was wrong",
    "fault is in": "fault was in",
    " fills ": " filled ",
    " are slow, but what it forwards is not": " were slow, but what it forwarded was not",
}


def _past(words: str) -> str:
    """A row of `_BLAME` of a fault that is over."""
    for now, then in _PAST.items():
        words = words.replace(now, then)
    return words


def lasting_now(bulletin: Bulletin) -> list[ToldVerdict]:
    """What is wrong now, that which the home or a provider can mend and is surest first."""
    now = [t for t in bulletin.told if t.verdict.end_ns is None and t.verdict.cause is not Cause.HEALTHY]
    return sorted(now, key=lambda t: telling_order(t.verdict))


def answer(bulletin: Bulletin, now_ns: int) -> Sentence:
    """The sentence on top of the page."""
    if now_ns - bulletin.at_ns > OLD_NS:
        return Sentence(
            mood=Mood.WAITING,
            words="Nothing new has been heard from the comparer.",
            more=("What stands below is its last word, and may be old.",),
            since_ns=bulletin.at_ns,
        )
    if bulletin.topic is Topic.UNHEARD:
        return Sentence(
            mood=Mood.WAITING,
            words="No agent is heard, so nothing is determined.",
            more=("Look whether their machines are on, and whether whichhop runs on them.",),
            since_ns=max((a.heard_ns for a in bulletin.agents if a.heard_ns is not None), default=None),
        )
    if bulletin.topic is Topic.VERDICT:
        return _verdict(lasting_now(bulletin)[0], bulletin)
    return _no_verdict(bulletin)


def sure_words(verdict: Verdict) -> str:
    """How sure of what is said; of several that cannot be told apart, that it is one of them."""
    sure = f"{probability(verdict.probability)} sure"
    be = "is" if verdict.end_ns is None else "was"
    return f"{sure} that it {be} one of them" if verdict.cause is Cause.NOT_SEPARABLE else sure


def _verdict(told: ToldVerdict, bulletin: Bulletin) -> Sentence:
    verdict, links = told.verdict, {link.name: link for link in bulletin.links}
    sure, group = sure_words(verdict), verdict.cause is Cause.NOT_SEPARABLE
    first = " ".join(s for s in (owner_words(verdict), f"{sure[0].upper()}{sure[1:]}.") if s)
    more = [first, *filter(None, [standing_words(verdict)])]
    if group and not verdict.place:
        more.append(f"These cannot be told apart: {places(verdict.elements, links, 'and')}.")
    if group and verdict.shares:
        first_of, share = max(verdict.shares.items(), key=lambda item: item[1])
        if share >= LIKELIER_THAN_NOT:
            more.append(f"Likeliest of them: {place(first_of, links)} ({probability(share)}).")
    more += inside_words(verdict)
    if verdict.severity is not None and (hurt := severity_words(verdict.severity)):
        more.append(f"What is felt: {hurt}.")
    if Cause.OWN_TRAFFIC in verdict.elements and (use := own_use_words(bulletin)):
        more.append(use)
    nobody = verdict.cause in (Cause.AGENT_HOST, Cause.RESPONDER)
    unsure = group or nobody or not verdict.proven
    return Sentence(
        mood=Mood.UNSURE if unsure else Mood.FAULT,
        words=_found(verdict, links),
        more=tuple(more),
        since_ns=verdict.start_ns,
        told=told,
    )


def _found(verdict: Verdict, links: Mapping[str, LinkNow]) -> str:
    if verdict.cause is Cause.NOT_SEPARABLE and not verdict.place:
        return f"Something is wrong in one of {len(verdict.elements)} places."
    return blame(verdict, links)


def _no_verdict(bulletin: Bulletin) -> Sentence:
    match bulletin.topic:
        case Topic.LEARNING:
            return Sentence(
                mood=Mood.WAITING,
                words="Still learning what is usual in this home.",
                more=("Until then nothing is called a fault.", *bulletin.no_answer_yet),
            )
        case Topic.BLIND:
            return Sentence(
                mood=Mood.WAITING,
                words="Not determined now.",
                more=("Every agent is busy, asleep or not heard of, so nothing is judged.",),
            )
        case Topic.STARTING:
            suspects = [k for k in bulletin.links if k.state in (LinkState.SUSPECTED, LinkState.AT_FAULT)]
            most = max(suspects, key=lambda k: k.probability)
            sure = probability(most.probability)
            return Sentence(
                mood=Mood.UNSURE,
                words=f"{bulletin.suspicion} between {most.near} and {most.far}.",
                more=(
                    f"By its last ten seconds it is {sure} likely; a fault is what stays so.",
                    *([_known_in(bulletin)] if bulletin.levels_s > 0 else []),
                ),
            )
        case Topic.SILENT:
            verb = "are" if len(bulletin.silent) > 1 else "is"
            return Sentence(
                mood=Mood.UNSURE,
                words=f"No fault found as far as is heard; {' and '.join(bulletin.silent)} {verb} silent.",
                more=("What only a silent agent sees is unknown.",),
            )
        case Topic.UNMEASURED:
            return Sentence(
                mood=Mood.UNSURE,
                words="No fault found on the hops that are measured.",
                more=(
                    f"{_not_seen(bulletin)} What crosses there was not heard lately, or what is usual is not"
                    " learned yet.",
                    *silent_words(bulletin.unanswered),
                    *_to_measure_the_line(bulletin),
                ),
            )
        case _:
            return _of_levels(bulletin)


def _as_usual(bulletin: Bulletin) -> str:
    """What "no fault" rests on: of a home measured for minutes only nobody knows how it usually answers."""
    measured_s = (bulletin.at_ns - bulletin.since_ns) / NS_PER_S
    if measured_s >= YOUNG_S:
        return "Nothing exceeds its own quiet baseline: every hop answers as it usually does."
    return (
        f"In the {how_long(measured_s)} measured so far no hop became worse, and none is slower than is usual"
        " for its kind."
    )


def felt_lines(bulletin: Bulletin) -> tuple[str, ...]:
    """What is felt though no hop is slow, a line each, with its figures."""
    return tuple(f"{one.line}: {'; '.join(one.evidence)}." for one in bulletin.felt)


def _to_measure_the_line(bulletin: Bulletin) -> tuple[str, ...]:
    unseen = bulletin.named(LinkState.UNKNOWN)
    never = [k for k in bulletin.links if k.kind is LinkKind.ACCESS and k.name in unseen and not k.packets]
    never = [] if bulletin.unanswered else never
    return (f"Where the access line was never measured: {target_words()}.",) if never else ()


def _known_in(bulletin: Bulletin) -> str:
    left = f"{bulletin.levels_s:.0f} seconds"
    return f"Whether something was wrong before measuring began is known in about {left}."


def _not_seen(bulletin: Bulletin) -> str:
    """What is not measured; empty where everything is."""
    unseen = bulletin.named(LinkState.UNKNOWN)
    return (
        f"Not measured now: {places(unseen, {k.name: k for k in bulletin.links}, 'and')}." if unseen else ""
    )


def _of_levels(bulletin: Bulletin) -> Sentence:
    """No fault found; the whole answer only once every level is known to be usual for its medium."""
    match bulletin.topic:
        case Topic.WAITING:
            return Sentence(
                mood=Mood.WAITING,
                words=TOO_LITTLE_YET,
                more=(
                    _known_in(bulletin),
                    *filter(None, [_not_seen(bulletin)]),
                    *bulletin.no_answer_yet,
                ),
            )
        case Topic.UNUSUAL:
            return Sentence(
                mood=Mood.UNSURE,
                words="No fault found, but one link is slower than is usual for its kind."
                if len(bulletin.unusual) == 1
                else "No fault found, but some links are slower than is usual for their kind.",
                more=tuple(level_words(v) for v in bulletin.unusual),
            )
        case Topic.MODEM:
            return Sentence(
                mood=Mood.UNSURE,
                words="No fault found, but the modem's levels are not as they should be.",
                more=(
                    *(f"{m.headline}." for m in bulletin.modems if m.amiss),
                    "Packets pass as usual so far; see the modem's levels below.",
                ),
            )
        case Topic.FELT:
            first = bulletin.felt[0]
            return Sentence(
                mood=Mood.UNSURE,
                words=f"No hop is slow, but {first.where}: {FELT_WORDS[first.cause]}.",
                more=(f"What users notice: {first.feels}.", *felt_lines(bulletin)),
            )
        case _:
            return Sentence(
                mood=Mood.NO_FAULT,
                words="No fault found.",
                more=(_as_usual(bulletin),),
            )
