"""The home as a tree of hops: rooms on one side, the provider on the other."""

from collections.abc import Collection, Mapping

from whichhop.model import LinkKind, Verdict
from whichhop.model.bulletin import Bulletin, LinkNow, LinkState
from whichhop.serve.page.drawings import STATE_MOOD, arc, legend, mark
from whichhop.serve.page.figures import Markup, added, join, percent, probability, tag, trip, unseen
from whichhop.serve.page.sentence import Mood, lasting_now, places

DEEP = 5
"""More hops than this in a row do not fit beside each other; they stand below each other then."""
_NODES = {"provider-edge": "provider"}
_KINDS = {
    LinkKind.WIRELESS: "Wi-Fi",
    LinkKind.BACKHAUL: "backhaul",
    LinkKind.WIRED: "Ethernet cable",
    LinkKind.ACCESS: "access line",
    LinkKind.BEYOND: "past the first hop",
}
_PLAIN = {LinkKind.WIRELESS: "radio", LinkKind.WIRED: "ethernet"}
"""Media that the kind's own words say already."""
_BOX_WORDS = {
    "node": "this box is at fault",
    "air": "its radio channel is at fault",
    "host": "the fault is in this agent",
    "reply": "only its own answers are slow",
    "destination": "the fault is in it alone",
}


def node_words(name: str) -> str:
    """A node's name; the implied places upstream in plain words."""
    return _NODES.get(name, name)


class _Tree:
    """The bulletin's links by their outer end, and what lasts now by element."""

    def __init__(self, bulletin: Bulletin) -> None:
        self.inward: dict[str, list[LinkNow]] = {}
        for link in bulletin.links:
            self.inward.setdefault(link.far, []).append(link)
        self.at_ns = bulletin.at_ns
        self.links = {link.name: link for link in bulletin.links}
        self.agents = {a.name: a for a in bulletin.agents}
        self.now: dict[str, Verdict] = {}
        for told in reversed(lasting_now(bulletin)):
            self.now.update(dict.fromkeys(told.verdict.elements, told.verdict))

    def roots(self) -> list[str]:
        nears = {link.near for link in self.links.values()}
        return [far for far in self.inward if far not in nears]

    def depth(self, node: str, seen: Collection[str] = ()) -> int:
        if node in seen:
            return 0
        below = [self.depth(k.near, (*seen, node)) for k in self.inward.get(node, ())]
        return 1 + max(below) if below else 0

    def twig(self, node: str, seen: Collection[str] = ()) -> Markup:
        """The node with everything whose way out leads through it."""
        limbs = [
            tag("div", self.twig(link.near, (*seen, node)), self.hop(link), class_="limb")
            for link in self.inward.get(node, ())
            if link.near not in seen
        ]
        fork = "limbs fork" if len(limbs) > 1 else "limbs"
        return tag("div", tag("div", limbs, class_=fork) if limbs else None, self.stone(node), class_="twig")

    def stone(self, node: str) -> Markup:
        notes: list[Markup] = []
        agent = self.agents.get(node)
        if agent is not None:
            if agent.silent(self.at_ns):
                notes.append(tag("span", mark(Mood.WAITING), " not heard", class_="note waiting"))
            else:
                notes.append(tag("span", "measures", class_="note"))
        kind = "stone"
        for element, verdict in self.now.items():
            what, _, whom = element.partition(":")
            if whom == node and what in _BOX_WORDS:
                group = len(verdict.elements) > 1
                mood = Mood.UNSURE if group or what in ("host", "reply") else Mood.FAULT
                words = f"perhaps {_BOX_WORDS[what]}" if group else _BOX_WORDS[what]
                notes.append(tag("span", mark(mood), " ", words, class_=f"note {mood}"))
                kind = f"stone {mood}"
        return tag("div", tag("span", node_words(node), class_="name"), notes, class_=kind)

    def hop(self, link: LinkNow) -> Markup:
        mood = STATE_MOOD[link.state]
        kind = _KINDS[link.kind]
        medium = link.medium
        if medium is not None and medium != _PLAIN.get(link.kind):
            kind = f"{kind}, {medium}"
        ends = f"{node_words(link.near)} to {node_words(link.far)}: "
        return tag(
            "div",
            arc(link.state),
            tag(
                "div",
                tag("h3", unseen(ends), kind),
                tag("p", mark(mood), " ", tag("b", _state_words(link.state)), class_="state"),
                _figures(link, self.now.get(link.name)),
                self._besides(link),
                class_="facts",
            ),
            class_=f"hop hop-{mood}",
            data_link=link.name,
        )

    def _besides(self, link: LinkNow) -> Markup:
        """What else stands between the reader and blaming this link alone."""
        out = []
        verdict = self.now.get(link.name)
        if verdict is not None and len(verdict.elements) > 1:
            out.append(tag("p", "One of those that cannot be told apart.", class_="aside"))
        own = self.now.get("own-traffic")
        if link.kind is LinkKind.ACCESS and own is not None:
            perhaps = "Perhaps filled" if len(own.elements) > 1 else "Filled"
            out.append(tag("p", f"{perhaps} by the home's own traffic.", class_="aside"))
        return join(*out)


def _state_words(state: LinkState) -> str:
    return "not known" if state is LinkState.UNKNOWN else str(state)


def _figures(link: LinkNow, verdict: Verdict | None) -> Markup:
    if link.state is LinkState.UNKNOWN and not link.packets:
        return tag("p", "nothing measured here now", class_="aside")
    rows: list[tuple[str, str]] = []
    if link.state is not LinkState.UNKNOWN:  # what is not known is not innocent either
        rows.append(_probability(link, verdict))
    to_here = " to here" if link.whole_path else ""
    if link.rtt_s is not None:
        rows.append(("latency (round trip)", trip(link.rtt_s)))
    if link.added_s is not None:
        rows.append((f"over usual{to_here}", added(link.added_s)))
    if link.loss_ratio is not None:
        rows.append((f"packet loss{to_here}", percent(link.loss_ratio)))
    lone = None
    if not link.packets:
        lone = tag("p", "no figures of its own: nothing answers at its end", class_="aside")
    return join(tag("dl", [tag("div", tag("dt", name), tag("dd", value)) for name, value in rows]), lone)


def _probability(link: LinkNow, verdict: Verdict | None) -> tuple[str, str]:
    """The verdict's own figure where one names the link, so that a card and the headline say the same."""
    if verdict is None:
        return "probability of fault", probability(link.probability)
    if len(verdict.elements) == 1:
        return "probability of fault", probability(verdict.probability)
    if verdict.shares and link.name in verdict.shares:
        return "its part of that", probability(verdict.shares[link.name])
    return "that it is one of these", probability(verdict.probability)


def groups(bulletin: Bulletin) -> list[Markup]:
    """For each group that cannot be split now, a line that says so."""
    links: Mapping[str, LinkNow] = {link.name: link for link in bulletin.links}
    return [
        tag(
            "p",
            mark(Mood.UNSURE),
            " These cannot be told apart: ",
            tag("b", places(t.verdict.elements, links, "and")),
            ".",
            class_="group",
        )
        for t in lasting_now(bulletin)
        if len(t.verdict.elements) > 1
    ]


def home_path(bulletin: Bulletin) -> Markup:
    """The whole tree with its legend."""
    tree = _Tree(bulletin)
    roots = tree.roots()
    if not roots:
        return tag("p", "The bulletin names no link.")
    deep = max(tree.depth(r) for r in roots) > DEEP
    drawn = tag("div", [tree.twig(r) for r in roots], class_="way deep" if deep else "way")
    return join(*groups(bulletin), drawn, legend())
