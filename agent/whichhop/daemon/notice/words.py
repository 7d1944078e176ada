"""A notice in words and as data: what is wrong, how sure, since when, whose it is, what to do. Pure."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Any

from msgspec import Struct

from whichhop.compare.own_use_words import own_use_words
from whichhop.compare.words import inside_words, owner_words, severity_words
from whichhop.daemon.notice.book import Kind, News, Passed
from whichhop.daemon.notice.faults import Fault
from whichhop.model import Cause, Verdict
from whichhop.model.bulletin import Bulletin, LinkNow
from whichhop.model.figure_words import how_long, instant_words, probability_words
from whichhop.model.units import NS_PER_S
from whichhop.printable import printable
from whichhop.serve.page.sentence import blame

VERSION = 1
"""Of the document; a receiver may refuse what it does not know."""


class Reader(Struct, frozen=True, kw_only=True):
    """What the words depend on beside the fault. steps: what to do next, the best first."""

    home: str
    zone: tzinfo | None
    links: Mapping[str, LinkNow]
    own_use: str = ""
    steps: Sequence[str] = ()
    first: tuple[str, ...] = ()
    """The elements of the fault that is told first: the steps begin with what is about it."""


OWN_STEP = (
    "Pause what fills the line or limit its rate in the router; a router with active queue management"
    " (FQ-CoDel) keeps latency low meanwhile."
)
LOOK = "Run `whichhop advise HOME`, or open the page of the agent that compares."


def reader_of(bulletin: Bulletin, zone: tzinfo | None) -> Reader:
    """The home as a bulletin has it."""
    return Reader(
        home=bulletin.home,
        zone=zone,
        links={link.name: link for link in bulletin.links},
        own_use=own_use_words(bulletin),
        steps=bulletin.steps,
        first=next((v.elements for v in bulletin.ongoing), ()),
    )


def document(news: News, verdict: Verdict | None, reader: Reader, number: str, now_ns: int) -> dict[str, Any]:
    """What every way sends: plain data (RFC 8259), times as RFC 3339, `subject` and `lines` for people.

    verdict: the fault as it is judged now; None where it was withdrawn, or for a summary.
    """
    made: dict[str, Any] = {
        "version": VERSION,
        "id": number,
        "kind": str(news.kind),
        "home": reader.home,
        "at": _rfc3339(now_ns),
    }
    if news.fault is not None:
        made |= _facts(news.fault)
    if verdict is not None and (why := verdict.why) is not None:
        made |= {"inner_cause": str(why.cause), "inner_probability": round(why.probability, 3)}
    subject, lines = _text(news, verdict, reader)
    subject = printable(" ".join(f"[{reader.home}] {subject}".split()), 250)
    return made | {"subject": subject, "lines": [printable(line, 2000) for line in lines if line]}


def test_document(home: str, number: str, now_ns: int, zone: tzinfo | None) -> dict[str, Any]:
    """A notice that says that it is none."""
    return {
        "version": VERSION,
        "id": number,
        "kind": str(Kind.TEST),
        "home": home,
        "at": _rfc3339(now_ns),
        "subject": printable(f"[{home}] Test notice: nothing is wrong", 250),
        "lines": [
            f"This is a test notice of {printable(home, 80)}, sent {instant_words(now_ns, zone)}.",
            "A real one comes by this way when a fault begins and when it ends.",
        ],
    }


def _rfc3339(at_ns: int) -> str:
    at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=at_ns // 1000)
    return at.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _facts(fault: Fault) -> dict[str, Any]:
    over = fault.end_ns is not None
    return {
        "fault": fault.number,
        "cause": fault.cause,
        "elements": list(fault.elements),
        "probability": round(fault.probability, 4),
        "proven": fault.proven,
        "since": None if fault.standing else _rfc3339(fault.start_ns),
        "until": _rfc3339(fault.end_ns) if fault.end_ns is not None else None,
        "lasted_s": round((fault.end_ns - fault.start_ns) / NS_PER_S, 1)
        if fault.end_ns is not None
        else None,
        "ongoing": not over,
    }


def _bare(fault: Fault | Passed) -> Verdict:
    """A fault of which the book alone is left."""
    return Verdict(
        cause=Cause(fault.cause),
        elements=fault.elements,
        probability=0.0,
        start_ns=fault.start_ns,
        end_ns=None,
    )


def _text(news: News, verdict: Verdict | None, reader: Reader) -> tuple[str, list[str]]:
    fault = news.fault
    if fault is None:
        return _summary(news.passed, reader)
    what = blame(verdict or _bare(fault), reader.links, over=news.kind is Kind.CLOSED)
    sure = probability_words(fault.probability)
    if news.kind is Kind.WITHDRAWN:
        return (
            f"Withdrawn: {what}",
            [
                f"No longer judged a fault: {what}",
                "Later measurements spoke against it. Nothing is to be done.",
            ],
        )
    if news.kind is Kind.CLOSED:
        end_ns = fault.end_ns or fault.start_ns
        lasted = how_long((end_ns - fault.start_ns) / NS_PER_S)
        began = "before measuring began" if fault.standing else instant_words(fault.start_ns, reader.zone)
        span = "" if fault.standing else f" It lasted {lasted}."
        return (
            f"Over: {what}" + ("" if fault.standing else f" Lasted {lasted}."),
            [
                f"Over: {what}",
                f"It began {began} and ended {instant_words(end_ns, reader.zone)}.{span}",
            ],
        )
    since = (
        "It was there before measuring began."
        if fault.standing
        else f"Since {instant_words(fault.start_ns, reader.zone)}."
    )
    lines = [what, f"Probability of fault: {sure}.", since]
    if verdict is not None:
        hurt = "" if verdict.severity is None else severity_words(verdict.severity)
        lines += [owner_words(verdict), f"Measured: {hurt}." if hurt else "", *inside_words(verdict)]
    if fault.cause == Cause.OWN_TRAFFIC or Cause.OWN_TRAFFIC in fault.elements:
        lines.append(reader.own_use)
    lines.append(f"What to do: {_step(fault, verdict, reader)}")
    update = "Update, the same fault as it is judged now: " if news.kind is Kind.CHANGED else ""
    if update:
        lines[0] = f"{update}{what}"
    return f"{'Update: ' if update else ''}{what.rstrip('.')} ({sure})", lines


def _step(fault: Fault, verdict: Verdict | None, reader: Reader) -> str:
    """The first step that is about this fault and no other."""
    if reader.steps and fault.elements == reader.first:
        return reader.steps[0]
    if fault.cause == Cause.OWN_TRAFFIC:
        return OWN_STEP
    if verdict is not None and verdict.missing:
        return f"Collect what is missing before the provider can be asked to fix it: {verdict.missing[0]}."
    own = verdict.would_change if verdict is not None else ()
    return own[0] if own else LOOK


def _summary(passed: Sequence[Passed], reader: Reader) -> tuple[str, list[str]]:
    count = f"{len(passed)} fault{'s' if len(passed) > 1 else ''} came and went"
    lines = [
        f"{instant_words(one.start_ns, reader.zone)}, {how_long((one.end_ns - one.start_ns) / NS_PER_S)}:"
        f" {blame(_bare(one), reader.links, over=True)}"
        for one in passed
    ]
    return f"{count}; nothing of it is ongoing", [f"{count} while nobody was told; each is over:", *lines]
