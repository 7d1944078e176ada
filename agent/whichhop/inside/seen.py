"""All that is known of one hop in one episode: what the looks of a cause are held against."""

from collections.abc import Callable, Iterable
from enum import StrEnum
from statistics import median

from msgspec import Struct

from whichhop.cabling.judge_levels import LevelFinding
from whichhop.inside.shape import Hours, Shape
from whichhop.model import Cause, Home, Link, LinkKind, Medium, Verdict
from whichhop.model.hop_facts import HopFacts


class Sort(StrEnum):
    """Which causes come into question: by what the hop is made of."""

    RADIO = "radio"
    POWER_LINE = "power line"
    COAX = "coax"
    ETHERNET = "ethernet"
    LINE = "access line"
    OWN_TRAFFIC = "own traffic"
    NODE = "home node"
    ANSWERS = "answers"
    NAMES = "name service"


_BY_MEDIUM = {
    Medium.RADIO: Sort.RADIO,
    Medium.POWER_LINE: Sort.POWER_LINE,
    Medium.COAX: Sort.COAX,
    Medium.ETHERNET: Sort.ETHERNET,
}
_BY_CAUSE = {
    Cause.OWN_TRAFFIC: Sort.OWN_TRAFFIC,
    Cause.HOME_NODE: Sort.NODE,
    Cause.RESPONDER: Sort.ANSWERS,
    Cause.NAME_SERVICE: Sort.NAMES,
    Cause.UPSTREAM_LINK: Sort.LINE,
}


class Place(Struct, frozen=True, kw_only=True):
    """The hop inside which a cause is looked for: what it is made of, its link where it is one, in words."""

    sort: Sort
    link: Link | None
    words: str
    name: str
    """Of the element: a link's, or a box's."""
    shared: bool = False
    """Whether packets cannot tell the link from the box at its end: then only the link's counters speak."""

    def fill(self, text: str) -> str:
        """A text with its {near}, {far} and {box}."""
        near, far = (self.link.near, self.link.far) if self.link else (self.name, self.name)
        return text.format(near=near, far=far, box=self.name)


def place_of(home: Home, verdict: Verdict) -> Place | None:  # noqa: PLR0911 - a row for each sort of verdict
    """The hop of a verdict that names one; None where several are open, or where it is nobody's hop."""
    links = {link.name: link for link in home.links}
    named = [links[n] for n in verdict.elements if n in links]
    if verdict.cause is Cause.NOT_SEPARABLE:
        return _line_or_its_end(verdict, named) or _link_or_its_end(verdict, named)
    if verdict.cause in (Cause.HOME_NODE, Cause.RESPONDER, Cause.NAME_SERVICE):
        box = verdict.elements[0].partition(":")[2]
        if verdict.elements[0].startswith("air:"):
            return Place(sort=Sort.RADIO, link=None, words=f"Wi-Fi around {box}", name=box)
        words = f"Resolver {box}" if verdict.cause is Cause.NAME_SERVICE else f"Box {box}"
        return Place(sort=_BY_CAUSE[verdict.cause], link=None, words=words, name=box)
    if verdict.cause is Cause.OWN_TRAFFIC:
        return Place(sort=Sort.OWN_TRAFFIC, link=None, words="The home's own traffic", name="own-traffic")
    if len(named) != 1:
        return None
    link = named[0]
    if link.kind is LinkKind.ACCESS:
        return Place(sort=Sort.LINE, link=link, words="Access line", name=link.name)
    if link.kind is LinkKind.BEYOND:
        return None
    return _of_link(link)


def _of_link(link: Link, *, shared: bool = False) -> Place | None:
    medium = link.medium or (Medium.RADIO if link.kind is LinkKind.WIRELESS else Medium.ETHERNET)
    what = {
        Medium.RADIO: "Wi-Fi",
        Medium.POWER_LINE: "Power line",
        Medium.COAX: "Coax (MoCA)",
        Medium.ETHERNET: "Ethernet",
    }.get(medium)
    if what is None:
        return None
    words = f"{what} between {link.near} and {link.far}"
    return Place(sort=_BY_MEDIUM[medium], link=link, words=words, name=link.name, shared=shared)


def _link_or_its_end(verdict: Verdict, named: list[Link]) -> Place | None:
    """A link of the home, where packets cannot tell it from a box at one of its ends."""
    others = [e.partition(":")[2] for e in verdict.elements if e not in {link.name for link in named}]
    if len(named) != 1 or named[0].kind in (LinkKind.ACCESS, LinkKind.BEYOND):
        return None
    at_ends = all(box in (named[0].near, named[0].far) for box in others)
    return _of_link(named[0], shared=True) if at_ends else None


def _line_or_its_end(verdict: Verdict, named: list[Link]) -> Place | None:
    """The line, where packets cannot tell it from what it ends at, or from the home's own use of it."""
    lines = [link for link in named if link.kind is LinkKind.ACCESS]
    if not verdict.near_line or len(lines) != 1:
        return None
    words = f"{verdict.place[0].upper()}{verdict.place[1:]}" if verdict.place else "Access line"
    return Place(sort=Sort.LINE, link=lines[0], words=words, name=lines[0].name)


class OwnUse(Struct, frozen=True, kw_only=True):
    """The home's use of its line in the episode, shares of what it carries; None where not counted."""

    down: float | None = None
    up: float | None = None

    @property
    def most(self) -> float | None:
        """The higher of the two."""
        told = [v for v in (self.down, self.up) if v is not None]
        return max(told) if told else None


class Rates(Struct, frozen=True, kw_only=True):
    """Transfers over the hop: the median rate and how many, and what is usual or contracted; bit/s.

    at_all_hours: they were under it over the whole day.
    """

    median_bps: float
    count: int
    could_bps: float
    at_all_hours: bool = False


class Seen(Struct, frozen=True, kw_only=True):
    """What was seen of a hop: shape of its packets, hours of its days, counters, levels, rates.

    before: facts read before the episode; facts: those read in it. hour: of the episode's middle, by the
    home's clock, 0 to 24. lasts_s: the episode's length. users: who moved how much in it, largest first.
    """

    place: Place
    verdict: Verdict
    shape: Shape | None
    hours: Hours | None = None
    use: OwnUse = OwnUse()
    facts: tuple[HopFacts, ...] = ()
    before: tuple[HopFacts, ...] = ()
    levels: tuple[LevelFinding, ...] = ()
    rates: Rates | None = None
    hour: float = 12.0
    lasts_s: float = 0.0
    users: tuple[tuple[str, float], ...] = ()

    def fact(self, name: str, pick: Callable[[list[float]], float] = median) -> float | None:
        """One figure for a fact over the episode, the median unless told; None where nobody read it."""
        told = values_of(self.facts, name)
        return pick(told) if told else None


def values_of(facts: Iterable[HopFacts], name: str) -> list[float]:
    """The values of one fact that are known, oldest first."""
    return [value for f in facts if (value := getattr(f, name)) is not None]


class Sign(Struct, frozen=True):
    """One thing that speaks for a cause, or against it: a log-ratio, and the figure for the reader.

    words: empty where it only weighs, as what speaks against a cause mostly does.
    """

    weight: float
    words: str = ""
