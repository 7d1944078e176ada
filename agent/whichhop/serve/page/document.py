"""Puts the page together: the answer on top, then the parts that a script may renew one by one."""

from collections.abc import Mapping, Sequence

from whichhop import __version__
from whichhop.model.bulletin import Bulletin
from whichhop.model.figure_words import how_long
from whichhop.serve.live import LiveState
from whichhop.serve.page.day import day
from whichhop.serve.page.drawings import agents, sign
from whichhop.serve.page.figures import Inside, Markup, ago, join, tag, when
from whichhop.serve.page.home_path import home_path
from whichhop.serve.page.modem import modem
from whichhop.serve.page.own import elsewhere, own
from whichhop.serve.page.past import evidence, past
from whichhop.serve.page.rooms import rooms
from whichhop.serve.page.sentence import Mood, Sentence, answer, blame, felt_lines, lasting_now, sure_words

STEPS = 3
"""As many next steps stand beside the answer."""
MOST_OTHERS = 3
"""Faults at the same time that are named beside the first."""


def _part(name: str, title: str, *inside: Inside, note: str = "") -> Markup:
    """A section with its heading; the script renews it when its text has changed."""
    return tag(
        "section",
        tag("h2", title, id=f"{name}-title"),
        tag("p", note, class_="lead") if note else None,
        inside,
        id=name,
        aria_labelledby=f"{name}-title",
        data_part=True,
    )


def _answer(sentence: Sentence, extra: Inside, steps: Inside, now_ns: int, until_ns: int) -> Markup:
    since: Inside = None
    if sentence.since_ns is not None:
        length = ago(sentence.since_ns, until_ns)
        standing = sentence.told is not None and sentence.told.verdict.standing
        more = "more than " if standing else ""
        tail = f", for {more}{length}." if sentence.told else f", {length} ago."
        begins = " Since before " if standing else " Since " if sentence.told else " Last heard: "
        since = (begins, when(sentence.since_ns, now_ns), tail)
    told = sentence.told
    why = None
    if told is not None and told.words[1:]:
        why = tag(
            "details",
            tag("summary", "How this is known"),
            tag("ul", [tag("li", w) for w in told.words[1:]]),
            id="why-now",
        )
    return tag(
        "section",
        tag(
            "div",
            sign(sentence.mood),
            tag(
                "div",
                tag("h2", sentence.words, id="answer-title"),
                tag("p", sentence.more[:1], since, class_="first"),
                [tag("p", m) for m in sentence.more[1:]],
                evidence(told.verdict.inside.drawing, now_ns) if told and told.verdict.inside else None,
                extra,
                why,
                class_="said",
            ),
            steps,
            class_="inner",
        ),
        id="answer",
        class_=f"answer {sentence.mood}",
        aria_labelledby="answer-title",
        data_part=True,
        data_mood=str(sentence.mood),
    )


CHECK = (
    "Note what you do as you do it (whichhop note HOME 'what was done'): a day later"
    " whichhop before-after HOME tells whether it helped."
)


def _all_over(bulletin: Bulletin) -> bool:
    """Whether faults of the last day are all that the steps can be about."""
    now = bulletin.ongoing or bulletin.felt or any(m.amiss for m in bulletin.modems)
    return bool(bulletin.told) and not now


def _step(number: int, step: str) -> Markup:
    """A step, its cautions folded under it: they are long, and the steps after it must be seen."""
    what, _, danger = step.partition(" Caution: ")
    mind = tag("details", tag("summary", "Caution"), tag("p", danger), id=f"caution-{number}")
    return tag("li", what, mind if danger else None)


def _steps(steps: Sequence[str], ongoing: bool, past: bool) -> Markup | None:
    """What to do next, best first; the rest is a press away. ongoing: say how to see whether it helped; past:
    all that is wrong is over, so that a step is about none of what stands beside it."""
    if not steps:
        return None
    items = [_step(number, step) for number, step in enumerate(steps)]
    rest = items[STEPS:]
    more = tag("details", tag("summary", f"{len(rest)} more"), tag("ul", rest), id="more-steps")
    return tag(
        "div",
        tag("h2", "What the last day suggests to do" if past else "What to do next"),
        tag("ol", items[:STEPS]),
        more if rest else None,
        tag("p", CHECK) if ongoing else None,
        class_="steps",
        id="steps",
    )


def _document(home: str, sentence: str, parts: Inside, foot: Inside, zone: str = "") -> bytes:
    head = join(
        tag("meta", charset="utf-8"),
        tag("meta", name="viewport", content="width=device-width, initial-scale=1"),
        tag("meta", name="color-scheme", content="light dark"),
        tag("title", f"{sentence} {home}"),
        tag("link", rel="icon", href="/page.svg", type_="image/svg+xml"),
        tag("link", rel="stylesheet", href="/page.css"),
        tag("script", src="/page.js", defer=True),
    )
    body = join(
        tag("a", "Skip to the answer", class_="skip", href="#main"),
        tag("header", tag("h1", home), tag("p", "which hop is at fault")),
        tag("div", class_="stale", id="stale", role="region", aria_label="Old data", hidden=True),
        tag("p", class_="unseen", id="say", role="status"),
        tag("main", parts, id="main", tabindex="-1"),
        tag("footer", foot),
    )
    html = tag("html", tag("head", head), tag("body", body, data_zone=zone or None), lang="en")
    return f"<!doctype html>{html}".encode()


def _foot(live: LiveState, at: Inside, *links: tuple[str, str], zone: str = "") -> Markup:
    where = f"the home's zone, {zone}" if zone else "the zone of this device"
    keys = [
        ("Reports of this home are signed with the key ", live.maker),
        ("This agent's own key: ", live.own_key),
    ]
    return join(
        tag("p", at, f" This page is served by the agent on {live.agent}, whichhop {__version__}."),
        [tag("p", words, tag("code", key), ".") for words, key in keys if key],
        tag("p", f"Times are in {where}, with UTC beside them.", class_="scripted"),
        tag(
            "noscript",
            tag(
                "p",
                "Without JavaScript this page does not renew itself: ",
                tag("a", "load it again", href="/"),
                ". Times are in UTC.",
            ),
        ),
        tag("p", "As data: ", [[tag("a", words, href=url), " "] for words, url in links]),
    )


def _others(bulletin: Bulletin) -> str:
    """The faults that are ongoing beside the one on top; empty where there is none."""
    links = {link.name: link for link in bulletin.links}
    others = [t.verdict for t in lasting_now(bulletin)[1:]]
    said = [f"{blame(v, links).rstrip('.')} ({sure_words(v)})." for v in others[:MOST_OTHERS]]
    if len(others) > MOST_OTHERS:
        said.append(f"And {len(others) - MOST_OTHERS} more; see the last day below.")
    return " ".join(said)


def bulletin_page(bulletin: Bulletin, *, live: LiveState, now_ns: int) -> bytes:
    """The page of an agent that compares."""
    sentence = answer(bulletin, now_ns)
    extra: list[Markup] = []
    if bulletin.learning_s > 0 and sentence.told is None:
        extra.append(
            tag("p", f"About {how_long(bulletin.learning_s)} more until it can judge.", id="learning")
        )
    if sentence.told is not None and (others := _others(bulletin)):
        extra.append(tag("p", f"At the same time: {others}", id="more-now"))
    if bulletin.felt and felt_lines(bulletin)[0] not in sentence.more:
        extra.append(tag("p", f"Felt besides, though no hop is slow by it: {' '.join(felt_lines(bulletin))}"))
    dates = {d.start_ns: d.day for d in bulletin.past.days} if bulletin.past else {}
    parts = [
        _answer(
            sentence,
            extra,
            _steps(bulletin.steps, bool(bulletin.ongoing), _all_over(bulletin)),
            now_ns,
            bulletin.at_ns if sentence.told else now_ns,
        ),
        _part(
            "way",
            "Path to the internet, hop by hop",
            home_path(bulletin),
            note="From the rooms to the provider, over the last minutes.",
        ),
        _part("day", "The last day", day(bulletin)),
        _part("past", "The last week and month", past(bulletin.past, bulletin)) if bulletin.past else None,
        _part("rooms", "What each room gets", rooms(bulletin)),
        _part("modem", "Modem levels", [modem(m, bulletin.at_ns, dates) for m in bulletin.modems])
        if bulletin.modems
        else None,
        _part("agents", "Who measures", agents(bulletin)),
    ]
    at = join("Judged at ", when(bulletin.at_ns, now_ns), ".")
    links = (("bulletin", "/bulletin"), ("metrics", "/metrics"))
    foot = _foot(live, at, *links, zone=bulletin.zone)
    return _document(bulletin.home, sentence.words, parts, foot, bulletin.zone)


def own_page(live: LiveState, others: Mapping[str, str], *, now_ns: int, trouble: str = "") -> bytes:
    """The page of an agent that does not compare, or whose comparer has not spoken yet."""
    words = trouble or f"The agent on {live.agent} measures, but does not compare."
    more = "It cannot say which hop is at fault; these are its own figures."
    sentence = Sentence(mood=Mood.WAITING, words=words, more=(more,))
    parts = [
        _answer(sentence, None, None, now_ns, now_ns),
        _part("own", "What this agent sees", own(live, now_ns)),
        _part("elsewhere", "Where the answer is", elsewhere(others)),
    ]
    at = join("Made at ", when(now_ns, now_ns), ".")
    return _document(live.home, sentence.words, parts, _foot(live, at, ("metrics", "/metrics")))
