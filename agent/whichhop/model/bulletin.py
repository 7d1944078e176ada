"""What the comparer tells every few seconds: the home's state now, for the metrics, the page and `status`."""

from enum import StrEnum

from msgspec import Struct

from whichhop.model.channel import ModemNow
from whichhop.model.figure_words import listed
from whichhop.model.finding import Finding, Level, Verdict, telling_order
from whichhop.model.inner_cause import Felt
from whichhop.model.links import Cause, LinkKind, Medium
from whichhop.model.note import Note
from whichhop.model.past_fault import NO_FAULTS, PastDays
from whichhop.model.units import NS_PER_S

DEVICE_DOWN, DEVICE_UP = "device_down_bps", "device_up_bps"
"""Readings `device_down_bps:NAME`, `device_up_bps:NAME`: what a device receives and sends."""


OUTAGE_TOLD_NS = 60 * NS_PER_S
"""What lets nothing through from the first packet on is told after a minute."""
HEARD_NS = 90 * NS_PER_S
"""An agent is silent after this: its minutes take up to 70 s to settle where open ones are not asked for."""


class HomeState(StrEnum):
    """What can be said of a home now."""

    FAULT = "fault"
    NO_FAULT = "no-fault"
    LEARNING = "learning"
    """What is usual, or whether something was wrong before measuring began."""
    NOT_DETERMINED = "not-determined"
    """No link can be judged: agents are busy, asleep or not heard of."""


class Topic(StrEnum):
    """What the one answer is about, so that every screen and the metrics speak of the same; in the order in
    which one comes before the next."""

    UNHEARD = "unheard"
    """Agents are there and none is heard."""
    VERDICT = "verdict"
    """Something is ongoing."""
    LEARNING = "learning"
    BLIND = "blind"
    """No link can be judged."""
    STARTING = "starting"
    """A link is suspected, not yet surely enough for a verdict."""
    WAITING = "waiting"
    """Whether something was wrong before measuring began is not known yet."""
    SILENT = "silent"
    """Some agents are not heard."""
    UNMEASURED = "unmeasured"
    """Some links are not measured."""
    UNUSUAL = "unusual"
    MODEM = "modem"
    FELT = "felt"
    NO_FAULT = "no-fault"


_STATES = {
    Topic.UNHEARD: HomeState.NOT_DETERMINED,
    Topic.LEARNING: HomeState.LEARNING,
    Topic.BLIND: HomeState.NOT_DETERMINED,
    Topic.WAITING: HomeState.LEARNING,
}
"""Where nothing can be said yet; otherwise what is ongoing says it."""


class LinkState(StrEnum):
    """What can be said of a link now."""

    NO_FAULT = "no fault"
    SUSPECTED = "suspected"
    AT_FAULT = "at fault"
    UNKNOWN = "unknown"
    """No session that crosses it was heard lately, or its baseline is not learned yet."""


class LinkNow(Struct, frozen=True, kw_only=True):
    """One link in the last minutes; links come in the order from the home's far ends to the provider.

    near is further from the provider, as in the home file. probability: that it is at fault now, alone or in
    a group that cannot be split. rtt_s: the median round trip of the sessions that end just past it, seconds.
    added_s: its excess over their quiet median, and loss_ratio the share of packets lost: the link's own,
    less what sessions of the same agent saw up to its near end; with `whole_path` none did, so the links
    before it are in them. level: of the link by itself, against what is usual for its medium, from the
    first minutes. None where not measured.
    """

    name: str
    near: str
    far: str
    kind: LinkKind
    medium: Medium | None
    state: LinkState
    probability: float
    rtt_s: float | None = None
    added_s: float | None = None
    loss_ratio: float | None = None
    packets: int = 0
    level: Level | None = None
    whole_path: bool = False


class AgentNow(Struct, frozen=True, kw_only=True):
    """An agent and when its newest record was measured; None when it was never heard."""

    name: str
    heard_ns: int | None
    trouble: str = ""

    def silent(self, at_ns: int) -> bool:
        """Whether nothing was measured by it lately, as far as is known."""
        return self.heard_ns is None or at_ns - self.heard_ns > HEARD_NS


class RoomRate(Struct, frozen=True, kw_only=True):
    """The newest measured rate of a node, TCP payload in bit/s, toward the provider's side and from it.

    `at_least`: the sender or receiver was the limit, so the path may carry more.
    """

    node: str
    room: str
    at_ns: int
    other_end: str
    down_bps: float | None
    up_bps: float | None
    at_least: bool = False


class ToldVerdict(Struct, frozen=True, kw_only=True):
    """A verdict with its sentences, as `compare` prints them."""

    verdict: Verdict
    words: tuple[str, ...]


class NoticeHeard(Struct, frozen=True, kw_only=True):
    """The newest of an agent's readings of one name about notices (daemon/notice/book.py)."""

    agent: str
    name: str
    at_ns: int
    value: float


class DeviceUse(Struct, frozen=True, kw_only=True):
    """What a device of the home sends and receives through the router, bit/s, in the last minute."""

    name: str
    down_bps: float
    up_bps: float


class OwnUse(Struct, frozen=True, kw_only=True):
    """The home's own traffic in the last minute, bit/s; devices: the busiest first, where they are known."""

    down_bps: float
    up_bps: float
    devices: tuple[DeviceUse, ...] = ()


class Bulletin(Struct, frozen=True, kw_only=True):
    """The home's state at `at_ns`; `since_ns` is where the judged span begins.

    learning_s: seconds until the first baseline is learned; 0 once verdicts can be given.
    told: the last day's verdicts, newest first; those that last have no end. steps: what to do next, the best
    first, in plain words. findings: whatever may be at fault in the last tick, links and all else, likeliest
    first; empty when no fault is found. levels_s: seconds until it is known whether anything was wrong before
    measuring began; 0 once it is.
    """

    home: str
    at_ns: int
    since_ns: int
    learning_s: float
    agents: tuple[AgentNow, ...]
    links: tuple[LinkNow, ...]
    told: tuple[ToldVerdict, ...]
    rooms: tuple[RoomRate, ...] = ()
    notes: tuple[Note, ...] = ()
    steps: tuple[str, ...] = ()
    findings: tuple[Finding, ...] = ()
    levels_s: float = 0.0
    plan_down_bps: float | None = None
    plan_up_bps: float | None = None
    modems: tuple[ModemNow, ...] = ()
    own_use: OwnUse | None = None
    """None where no agent counts it."""
    notices: tuple[NoticeHeard, ...] = ()
    past: PastDays | None = None
    """The last month by the day; None where nothing is kept (`status` without a comparing agent)."""
    zone: str = ""
    """The home's time zone (IANA); empty where the home file has none."""
    felt: tuple[Felt, ...] = ()
    """What users feel though no hop is slow, and can change: the surest first."""
    unanswered: tuple[str, ...] = ()
    """Targets past a link that is not known which never answered anybody."""

    @property
    def ongoing(self) -> list[Verdict]:
        """The verdicts that go on now, in the order in which every screen tells them."""
        return sorted((t.verdict for t in self.told if t.verdict.end_ns is None), key=telling_order)

    @property
    def topic(self) -> Topic:
        """What the one answer is about."""
        silent = len(self.silent)
        about = {
            Topic.UNHEARD: bool(self.agents) and silent == len(self.agents),
            # Also one that began while something else is learned.
            Topic.VERDICT: any(v.cause is not Cause.HEALTHY for v in self.ongoing),
            Topic.LEARNING: self.learning_s > 0,
            Topic.BLIND: self.blind,
            Topic.STARTING: bool(self.starting),
            Topic.WAITING: self.levels_s > 0,
            Topic.SILENT: silent > 0,
            Topic.UNMEASURED: bool(self.named(LinkState.UNKNOWN)),
            Topic.UNUSUAL: bool(self.unusual),
            Topic.MODEM: any(m.amiss for m in self.modems),
            Topic.FELT: bool(self.felt),
        }
        return next((topic for topic in Topic if about.get(topic)), Topic.NO_FAULT)

    @property
    def state(self) -> HomeState:
        """The home in a word; what nobody feels is no fault of it."""
        wrong = any(v.cause not in NO_FAULTS for v in self.ongoing)
        return _STATES.get(self.topic, HomeState.FAULT if wrong else HomeState.NO_FAULT)

    @property
    def starting(self) -> list[str]:
        """The links that something may be wrong with, which without a verdict is not yet sure."""
        return self.named(LinkState.SUSPECTED) + self.named(LinkState.AT_FAULT)

    @property
    def suspicion(self) -> str:
        """What may be said of them: while it is not known what was wrong before measuring began, not that it
        begins."""
        return f"Something may be {'wrong' if self.levels_s > 0 else 'starting'}"

    @property
    def no_answer_yet(self) -> list[str]:
        """Who answered nothing so far, in a sentence, with when that is judged; none for nobody."""
        young = self.at_ns - self.since_ns < OUTAGE_TOLD_NS
        then = " What that means is told once a minute was measured." if young else ""
        return [f"No answer so far from {listed(self.unanswered)}.{then}"] if self.unanswered else []

    @property
    def silent(self) -> list[str]:
        """The agents that are not heard."""
        return [a.name for a in self.agents if a.silent(self.at_ns)]

    @property
    def unusual(self) -> list[Level]:
        """Levels above what is usual for their medium, of links that no lasting verdict names."""
        blamed = {name for v in self.ongoing for name in v.elements}
        found = dict.fromkeys(k.level for k in self.links if k.level is not None and k.level.above_usual)
        return [level for level in found if level is not None and not blamed.intersection(level.elements)]

    def named(self, state: LinkState) -> list[str]:
        """The names of the links of which this can be said, in their order."""
        return [k.name for k in self.links if k.state is state]

    @property
    def blind(self) -> bool:
        """Whether no link can be judged now, though there are links."""
        return bool(self.links) and all(k.state is LinkState.UNKNOWN for k in self.links)
