"""What was done just before trouble that lasts began: the cheapest question there is, so it comes first."""

from collections.abc import Iterator

from whichhop.advice.known import Known, Trouble, trouble, trouble_words
from whichhop.advice.step import Recommendation, RecommendationKind
from whichhop.compare.words import element_words
from whichhop.model import Cause, Verdict
from whichhop.model.finding import telling_order
from whichhop.model.inner_cause import InnerCause
from whichhop.model.links import PROVIDERS
from whichhop.model.note import Note
from whichhop.model.units import NS_PER_S

KEY = "recall-change"
SHORTLY_NS = 3600 * NS_PER_S
"""Notes of so long before the trouble are named: people write down what they did when it is done, not while
they do it. Our own choice."""
ASKED_OF_HOME = (
    Cause.WIRELESS_HOP,
    Cause.BACKHAUL,
    Cause.WIRED_LAN,
    Cause.HOME_NODE,
    Cause.NOT_SEPARABLE,
)
"""Causes that somebody at home may have brought about."""
HOME = "Ask what was moved, plugged in or restarted"
LINE = "Ask whether somebody touched the modem, its cables or a splitter"
SENDS_OR_FETCHES = "Find what began to send or fetch, such as a backup, an update or a download,"
OWN = {
    InnerCause.UPLOAD_FILLS: "Find what began to send, such as a backup, photos or a camera,",
    InnerCause.DOWNLOAD_FILLS: "Find what began to fetch, such as an update, a download or a film,",
}


def steps(known: Known) -> Iterator[Recommendation]:
    """A question for each trouble that lasts and that somebody at home may have brought about."""
    for verdict in sorted(known.verdicts, key=telling_order):
        question = _question(verdict)
        if verdict.end_ns is not None or question is None:
            continue
        mine = trouble(known, lambda v, _, this=verdict: v is this)  # type: ignore[misc]
        yield Recommendation(
            key=KEY,
            kind=RecommendationKind.TELL,
            what=_asked(question, verdict, known),
            where=" + ".join(verdict.elements),
            why=tuple(_why(verdict, mine, known)),
            now=True,
        )


def _asked(question: str, verdict: Verdict, known: Known) -> str:
    """The question; where the answer was noted already, that."""
    noted = [] if verdict.standing else list(_notes(verdict, known))
    if not noted:
        return f"{question} {_when(verdict, known)}"
    last = max(noted, key=lambda note: note.at_ns)
    return f"Check what was noted at {known.time(last.at_ns)}, {_when(verdict, known)}: {last.text}"


def _question(verdict: Verdict) -> str | None:
    if verdict.cause is Cause.OWN_TRAFFIC:
        return SENDS_OR_FETCHES if verdict.why is None else OWN.get(verdict.why.cause, SENDS_OR_FETCHES)
    if verdict.why is not None and verdict.why.cause is InnerCause.EVENING_CONGESTION:
        return None  # nobody at home brings it about
    if verdict.near_line:
        return LINE
    if verdict.cause in ASKED_OF_HOME:
        return HOME
    # Past the provider's first hop nobody at home can have changed anything.
    return LINE if verdict.cause in PROVIDERS and verdict.cause is not Cause.BEYOND else None


def _when(verdict: Verdict, known: Known) -> str:
    if verdict.standing:
        return f"before {known.time(verdict.start_ns)}, when measuring began, and when it was last well"
    return f"shortly before {known.time(verdict.start_ns)}"


def _why(verdict: Verdict, mine: Trouble, known: Known) -> Iterator[str]:
    names = " or ".join(map(element_words, verdict.elements))
    yield f"ongoing: {names}, {trouble_words(mine)}"
    for note in _notes(verdict, known):
        yield f"noted for {known.time(note.at_ns)}: {note.text}"


def _notes(verdict: Verdict, known: Known) -> Iterator[Note]:
    for note in known.notes:
        if verdict.standing or 0 <= verdict.start_ns - note.at_ns <= SHORTLY_NS:
            yield note
