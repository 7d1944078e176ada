"""What a home could tell apart if its all-in-one box were a modem and a router of its own; the step to it."""

from collections.abc import Callable, Iterator

from msgspec import Struct
from msgspec.structs import replace

from whichhop.advice.facts import HomeFacts, trouble, trouble_words
from whichhop.advice.step import Recommendation, RecommendationKind, RecommendedGain
from whichhop.advice.worth import KNOWING
from whichhop.cabling.explain import Explanation
from whichhop.compare.suspects.elements import elements_of
from whichhop.compare.suspects.vantage import groups_of
from whichhop.compare.words import names_words
from whichhop.model import Home, Link, LinkKind, Medium, Node, NodeKind, Verdict, derive_sessions
from whichhop.model.inner_cause import Cost, Effort

OWN_ADDRESS = "its own address"
CAUTION = (
    "An alarm, telephone or medical alert on the rented box stops with it: find out first, and test it after."
)


class Separated(Struct, frozen=True, kw_only=True):
    """The group in which the access line stands today, and would stand. Empty: nothing crosses it."""

    node: str
    today: tuple[str, ...]
    then: tuple[str, ...]

    @property
    def words(self) -> str:
        """What separating it would tell, and what not."""
        if not self.today:
            return (
                f"{self.node} is modem and router in one; name a target upstream first, for"
                f" nothing crosses the"
                " access line yet"
            )
        alone = "stands alone" if len(self.today) == 1 else "are not told apart"
        now = f"Today {names_words(self.today)} {alone}"
        after = names_words(self.then)
        if len(self.then) < len(self.today):
            return (
                f"{now}. With a separate modem that answers at its own address, this would remain"
                f" of it: {after}"
            )
        return f"{now}; a separate modem alone would not change that: {after}"


def split(home: Home, name: str) -> Home:
    """The home in which that box is a router, with a modem of its own between it and the line."""
    modem = f"{name}-modem"
    nodes = dict(home.nodes)
    nodes[name] = replace(nodes[name], kind=NodeKind.ROUTER)
    nodes[modem] = Node(name=modem, kind=NodeKind.MODEM, address=OWN_ADDRESS)
    inside = [k for k in home.links if k.kind not in (LinkKind.ACCESS, LinkKind.BEYOND)]
    joint = Link(name=f"{name}/{modem}", near=name, far=modem, kind=LinkKind.WIRED, medium=Medium.ETHERNET)
    line = [replace(k, near=modem) for k in home.links if k.kind is LinkKind.ACCESS]
    beyond = [k for k in home.links if k.kind is LinkKind.BEYOND]
    return replace(home, nodes=nodes, links=(*inside, joint, *line, *beyond))


def _line_group(home: Home) -> tuple[str, ...]:
    line = next(k.name for k in home.links if k.kind is LinkKind.ACCESS)
    groups = groups_of(elements_of(home, derive_sessions(home)))
    return next((g for g in groups if line in g), ())


def separated_boxes(home: Home) -> Iterator[Separated]:
    """For each all-in-one box at the end of the line."""
    for link in home.links:
        if link.kind is LinkKind.ACCESS and home.nodes[link.near].kind is NodeKind.GATEWAY:
            yield Separated(
                node=link.near,
                today=_line_group(home),
                then=_line_group(split(home, link.near)),
            )


def _hides(hidden: set[str]) -> Callable[[Verdict, Explanation | None], bool]:
    """Verdicts that could not be told from one of these."""
    return lambda v, _: len(v.elements) > 1 and bool(hidden & set(v.elements))


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """A modem of its own, where a fault could not be told from what only the all-in-one box joins to it."""
    for one in separated_boxes(known.home):
        hidden = set(one.today) - set(one.then)
        mine = trouble(known, _hides(hidden))
        if not one.then or not mine.verdicts:
            continue
        yield Recommendation(
            key="separate-box",
            kind=RecommendationKind.TELL,
            what=f"Have the modem as a box of its own before {one.node}",
            where=one.node,
            why=(one.words, trouble_words(mine)),
            gains=(RecommendedGain(value=float(len(hidden)), unit="groups"),),
            worth=KNOWING * mine.share,
            now=mine.now,
            effort=Effort.HOUR,
            cost=Cost.LARGE,
            cautions=(CAUTION,),
            commands=(f"whichhop cabling {known.file} --own",),
        )
