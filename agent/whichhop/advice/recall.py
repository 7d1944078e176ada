"""What was done just before trouble that lasts began, where the cause leaves it open: asking costs least."""

from collections.abc import Iterator

from whichhop.advice.facts import HomeFacts, Trouble, trouble, trouble_words
from whichhop.advice.step import Recommendation, RecommendationKind
from whichhop.compare.words import element_words
from whichhop.inside.seen import Sort, place_of
from whichhop.inside.table import TOUCHED, row_of
from whichhop.model import Cause, Verdict
from whichhop.model.finding import telling_order
from whichhop.model.links import PROVIDERS
from whichhop.model.note import Note
from whichhop.model.units import NS_PER_S

KEY = "recall-change"
SHORTLY_NS = 3600 * NS_PER_S
"""Notes of so long before the trouble are named: people write down what they did when it is done, not while
they do it. Our own choice."""
HOME = "Ask what was moved, plugged in or restarted"
QUESTIONS: dict[Cause, str] = {
    Cause.OWN_TRAFFIC: "Find what began to send or fetch, such as a backup, an update or a download,",
    Cause.WIRELESS_HOP: "Ask whether {near} or {far} was moved, and what was put or plugged in near them,",
    Cause.WIRED_LAN: "Ask whether somebody touched the cable between {near} and {far} or its plugs",
    Cause.HOME_NODE: "Ask whether {near} was moved, restarted, updated or given more to do",
    Cause.BACKHAUL: HOME,
    Cause.NOT_SEPARABLE: HOME,
}
"""What somebody at home may have brought about, where the cause inside the hop is not named."""


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """A question for each trouble that lasts and that somebody at home may have brought about."""
    for verdict in sorted(known.verdicts, key=telling_order):
        question = None if verdict.end_ns is not None else _question(verdict, known)
        asked = None if question is None else _asked(question, verdict, known)
        if not asked:
            continue
        mine = trouble(known, lambda v, _, this=verdict: v is this)  # type: ignore[misc]
        yield Recommendation(
            key=KEY,
            kind=RecommendationKind.TELL,
            what=asked,
            where=" + ".join(verdict.elements),
            why=tuple(_why(verdict, mine, known)),
            now=True,
        )


def _asked(question: str, verdict: Verdict, known: HomeFacts) -> str:
    """The question; where the answer was noted already, that; "" where neither is there."""
    noted = [] if verdict.standing else list(_notes(verdict, known))
    if not noted:
        return question and f"{question} {_when(verdict, known)}"
    last = max(noted, key=lambda note: note.at_ns)
    return f"Check what was noted at {known.time(last.at_ns)}, {_when(verdict, known)}: {last.text}"


def _question(verdict: Verdict, known: HomeFacts) -> str | None:
    """What to ask; "" where looking is as quick, None where nobody at home can have brought it about."""
    place = place_of(known.home, verdict)
    if verdict.why is not None and place is not None:
        asks = row_of(verdict.why.cause, place.sort).asks
        return place.fill(asks) if asks or place.sort is not Sort.LINE else None
    if verdict.near_line:
        return TOUCHED
    if asks := QUESTIONS.get(verdict.cause, ""):
        return place.fill(asks) if place is not None else HOME
    # Past the provider's first hop nobody at home can have changed anything.
    return TOUCHED if verdict.cause in PROVIDERS and verdict.cause is not Cause.BEYOND else None


def _when(verdict: Verdict, known: HomeFacts) -> str:
    if verdict.standing:
        return f"before {known.time(verdict.start_ns)}, when measuring began, and when it was last well"
    return f"shortly before {known.time(verdict.start_ns)}"


def _why(verdict: Verdict, mine: Trouble, known: HomeFacts) -> Iterator[str]:
    names = " or ".join(map(element_words, verdict.elements))
    yield f"ongoing: {names}, {trouble_words(mine)}"
    for note in _notes(verdict, known):
        yield f"noted for {known.time(note.at_ns)}: {note.text}"


def _notes(verdict: Verdict, known: HomeFacts) -> Iterator[Note]:
    for note in known.notes:
        if verdict.standing or 0 <= verdict.start_ns - note.at_ns <= SHORTLY_NS:
            yield note
