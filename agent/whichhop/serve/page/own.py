"""The page of an agent that does not compare: its own sessions' live figures, and where else to look."""

from collections.abc import Mapping

from whichhop.model import Fate, Home, SessionKey
from whichhop.net.listen import authority
from whichhop.report.words import HARD
from whichhop.serve.live import LiveState, SessionState
from whichhop.serve.page.figures import Markup, join, percent, tag, trip, when


def _row(key: SessionKey, state: SessionState, now_ns: int) -> Markup:
    answered = state.fates[Fate.ANSWERED]
    gone = sum(n for fate, n in state.fates.items() if fate is not Fate.ANSWERED and not fate.set_aside)
    cells = (
        ("packets", str(state.sent)),
        ("round trip, last", trip(state.last_rtt_ns / 1e9) if state.last_rtt_ns is not None else "–"),
        ("round trip, mean", trip(state.rtt_sum_ns / answered / 1e9) if answered else "–"),
        ("lost or late", percent(gone / state.sent) if state.sent else "–"),
    )
    seen = "never" if state.last_sent_ns is None else when(state.last_sent_ns, now_ns)
    return tag(
        "tr",
        tag("th", key.target, scope="row"),
        tag("td", str(key.method), data_head="by"),
        [tag("td", words, class_="n", data_head=name) for name, words in cells],
        tag("td", seen, data_head="newest"),
    )


_HEADS = ("to", "by", "packets", "round trip, last", "round trip, mean", "lost or late", "newest")


def own(live: LiveState, now_ns: int) -> Markup:
    """The agent's sessions since it started, as a table."""
    rows = [_row(key, state, now_ns) for key, state in live.sessions()]
    if not rows:
        return tag("p", "No packet has been answered or given up yet; look again in a few seconds.")
    return tag(
        "table",
        tag("caption", f"What {live.agent} has measured since it started"),
        tag("thead", tag("tr", [tag("th", name, scope="col") for name in _HEADS])),
        tag("tbody", rows),
        class_="own",
    )


def other_pages(home: Home, agent: str) -> dict[str, str]:
    """Where the home's other agents show their pages, by name."""
    found = {n.name: n.address for n in home.agents if n.address and n.name != agent}
    return {n: f"http://{authority(a, home.ports.api)}/" for n, a in found.items()}


def elsewhere(others: Mapping[str, str]) -> Markup:
    """The other agents' pages, by name."""
    start = tag(
        "p",
        "Start one agent of the home with ",
        tag("code", f"whichhop run HOME --node NAME{HARD}--compare"),
        ", best the one that is always on.",
    )
    if not others:
        return start
    links = [tag("li", tag("a", name, href=url)) for name, url in others.items()]
    return join(
        tag(
            "p", "The answer for the whole home is on the page of the agent that compares. The other agents:"
        ),
        tag("ul", links, class_="others"),
        start,
    )
