"""Who measures, when each was last heard, and what is the matter with those that are not."""

from whichhop.model.bulletin import AgentNow, Bulletin
from whichhop.serve.page.drawings import mark
from whichhop.serve.page.figures import ago, when
from whichhop.serve.page.markup import Inside, Markup, tag
from whichhop.serve.page.sentence import Mood


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
