"""Draws a link's state, an arc like a hop, whole, shaky, broken or not seen; and who measures."""

from whichhop.model.bulletin import AgentNow, Bulletin, LinkState
from whichhop.serve.page.figures import Inside, Markup, ago, join, tag, when
from whichhop.serve.page.sentence import Mood

_ARCS: dict[LinkState, tuple[str, ...]] = {
    LinkState.NO_FAULT: ("M6 40C34 4 86 4 114 40",),
    LinkState.SUSPECTED: ("M6 40C34 4 86 4 114 40",),
    LinkState.AT_FAULT: ("M6 40C18 25 32 15 47 13l7 10-9 7 8 11", "M114 40C102 25 88 15 73 13l-6 9 8 8-7 11"),
    LinkState.UNKNOWN: ("M6 40H114",),
}
"""One path a stroke; the arc is whole, dashed by style when suspected, in two when at fault."""

STATE_MOOD = {
    LinkState.NO_FAULT: Mood.NO_FAULT,
    LinkState.SUSPECTED: Mood.UNSURE,
    LinkState.AT_FAULT: Mood.FAULT,
    LinkState.UNKNOWN: Mood.WAITING,
}

_MARKS: dict[Mood, tuple[tuple[str, str], ...]] = {
    Mood.NO_FAULT: (("solid", "M12 2a10 10 0 1 0 .01 0z"), ("inner", "M7 12.5l3.4 3.4L17 8.8")),
    Mood.UNSURE: (
        ("solid", "M12 1.5L23.5 22H.5z"),
        ("inner", "M12 9v5.5M12 18.4v.1"),
    ),
    Mood.FAULT: (("solid", "M7 1.5h10L22.5 7v10L17 22.5H7L1.5 17V7z"), ("inner", "M8 8l8 8M16 8l-8 8")),
    Mood.WAITING: (("ring", "M12 3a9 9 0 1 0 .01 0z"), ("dots", "M8 12h.01M12 12h.01M16 12h.01")),
}


def arc(state: LinkState) -> Markup:
    """The hop; only for the eye, since the state stands beside it in words."""
    paths = [tag("path", d=d) for d in _ARCS[state]]
    return tag(
        "svg",
        *paths,
        class_="arc",
        viewBox="0 0 120 46",
        preserveAspectRatio="none",
        aria_hidden="true",
        focusable="false",
    )


def sign(mood: Mood) -> Markup:
    """The answer's own drawing: one hop between two stones, large."""
    state = next(s for s, m in STATE_MOOD.items() if m is mood)
    inside = [
        [tag("path", class_="stroke", d=d) for d in _ARCS[state]],
        [tag("circle", class_="end", cx=x, cy=40, r=5) for x in (6, 114)],
    ]
    return tag(
        "svg", inside, class_=f"sign {mood}", viewBox="0 0 120 46", aria_hidden="true", focusable="false"
    )


def mark(mood: Mood) -> Markup:
    """A sign whose shape tells the state without colour."""
    paths = [tag("path", class_=kind, d=d) for kind, d in _MARKS[mood]]
    return tag(
        "svg", *paths, class_=f"mark {mood}", viewBox="0 0 24 24", aria_hidden="true", focusable="false"
    )


def legend() -> Markup:
    """What the arcs mean."""
    rows = {
        LinkState.NO_FAULT: "no fault",
        LinkState.SUSPECTED: "suspected",
        LinkState.AT_FAULT: "at fault",
        LinkState.UNKNOWN: "not known",
    }
    return tag(
        "ul",
        [tag("li", arc(s), " ", words, class_=f"hop-{STATE_MOOD[s]}") for s, words in rows.items()],
        class_="legend",
        aria_label="How the hops are drawn",
    )


def hatch() -> Markup:
    """The patterns that the time line refers to."""
    stripe = join(
        tag("rect", width=8, height=8, class_="hatch-ground"),
        tag("path", d="M-2 2l4-4M0 8l8-8M6 10l4-4", class_="hatch-line"),
    )
    pattern = tag("pattern", stripe, id="hatch", width=8, height=8, patternUnits="userSpaceOnUse")
    return tag(
        "svg",
        tag("defs", pattern),
        width=0,
        height=0,
        class_="unseen",
        aria_hidden="true",
        focusable="false",
    )


def _agent(one: AgentNow, at_ns: int) -> Markup:
    words: list[Inside]
    if one.heard_ns is None:
        words = ["never heard"]
    elif one.silent(at_ns):
        words = ["not heard since ", when(one.heard_ns, at_ns), f", {ago(one.heard_ns, at_ns)} ago"]
    else:
        words = ["heard"]
    mood = Mood.WAITING if one.silent(at_ns) else Mood.UNSURE if one.trouble else Mood.NO_FAULT
    return tag(
        "li",
        tag("p", mark(mood), " ", tag("b", one.name), ": ", words),
        tag("p", one.trouble, class_="aside") if one.trouble else None,
        data_agent=one.name,
    )


def agents(bulletin: Bulletin) -> Markup:
    """The list of agents."""
    if not bulletin.agents:
        return tag("p", "The bulletin names no agent.")
    return tag("ul", [_agent(a, bulletin.at_ns) for a in bulletin.agents], class_="agents")
