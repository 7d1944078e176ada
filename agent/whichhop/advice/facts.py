"""All that advice may rest on: the home, its verdicts, transfers, levels, and small questions to them."""

import shlex
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import tzinfo
from typing import TypedDict

from msgspec import Struct, field

from whichhop.advice.step import RecommendedGain
from whichhop.cabling.explain import Explanation
from whichhop.capacity.links import DOWN, UP, LinkCapacity, capacities
from whichhop.capacity.plan import LineTest
from whichhop.capacity.transfers import Measured
from whichhop.compare.words import tail_shaped
from whichhop.model import PROVIDER_EDGE, Cause, Home, ModemLevels, Reading, Session, Verdict
from whichhop.model.cable_run import Box, Run
from whichhop.model.figure_words import how_long, instant_words, percent
from whichhop.model.inner_cause import Felt
from whichhop.model.note import Note
from whichhop.model.transfer import DOWNLOADS, UPLOADS, figure_of
from whichhop.model.units import NS_PER_S
from whichhop.stats.throughput import TCP_HEADERS, goodput_bps


class HomeFacts(Struct, frozen=True, kw_only=True):
    """What was measured and what is described.

    start_ns, end_ns: the judged span. lines: beside each verdict what the modem's levels add, or None.
    rates: the transfers of each agent, other end and way; rated_ns: when the newest was. tests: those to the
    internet, one by one. ceilings: by link and
    way, as `capacity.links.capacities` takes them. home_file: the name to print in commands.
    """

    home: Home
    home_file: str
    start_ns: int
    end_ns: int
    sessions: tuple[Session, ...] = ()
    verdicts: tuple[Verdict, ...] = ()
    lines: tuple[Explanation | None, ...] = ()
    rates: tuple[Measured, ...] = ()
    tests: tuple[LineTest, ...] = ()
    zone: tzinfo | None = None
    rated_ns: Mapping[tuple[str, str, str], int] = field(default_factory=dict)
    ceilings: Mapping[tuple[str, str], tuple[float, str]] = field(default_factory=dict)
    boxes: tuple[Box, ...] = ()
    run: Run | None = None
    levels: tuple[ModemLevels, ...] = ()
    """The modem's readings, oldest first."""
    felt: tuple[Felt, ...] = ()
    """What users feel though no hop is slow."""
    notes: tuple[Note, ...] = ()
    """What somebody noted that they changed."""

    def time(self, at_ns: int) -> str:
        """An instant as people are told it, in the home's zone."""
        return instant_words(at_ns, self.zone)

    @property
    def file(self) -> str:
        """The home file's name as a shell takes it."""
        return shlex.quote(self.home_file)

    @property
    def seconds(self) -> float:
        """How long was judged."""
        return max(0.0, (self.end_ns - self.start_ns) / NS_PER_S)

    def explained(self) -> Iterable[tuple[Verdict, Explanation | None]]:
        """Each verdict with what the levels say of it."""
        lines = self.lines or (None,) * len(self.verdicts)
        return zip(self.verdicts, lines, strict=True)


class Trouble(Struct, frozen=True, kw_only=True):
    """Some verdicts summed up. share: of the judged time, 0 to 1, overlaps counted once."""

    verdicts: tuple[Verdict, ...]
    seconds: float
    share: float
    judged_s: float
    zone: tzinfo | None = None

    @property
    def now(self) -> bool:
        """Whether some of it lasts."""
        return any(v.end_ns is None for v in self.verdicts)

    @property
    def gain(self) -> RecommendedGain:
        """What ending all of it would give."""
        return RecommendedGain(value=self.seconds, unit="s", about=f"in the {how_long(self.judged_s)} judged")

    @property
    def ends(self) -> "Ends":
        """What a step that ends all of it is worth, as fields of a recommendation."""
        return {"gains": (self.gain,), "worth": self.share, "now": self.now}


class Ends(TypedDict):
    """Fields of a recommendation that ends some trouble."""

    gains: tuple[RecommendedGain, ...]
    worth: float
    now: bool


NO_TROUBLE = Trouble(verdicts=(), seconds=0.0, share=0.0, judged_s=0.0)


def trouble(known: HomeFacts, wanted: Callable[[Verdict, Explanation | None], bool]) -> Trouble:
    """The verdicts that `wanted` picks."""
    found = tuple(v for v, line in known.explained() if wanted(v, line))
    spans = sorted(
        (max(v.start_ns, known.start_ns), min(v.end_ns or known.end_ns, known.end_ns)) for v in found
    )
    total, reached = 0, known.start_ns
    for start, end in spans:
        total += max(0, end - max(start, reached))
        reached = max(reached, end)
    share = total / NS_PER_S / known.seconds if known.seconds else 0.0
    return Trouble(
        verdicts=found, seconds=total / NS_PER_S, share=share, judged_s=known.seconds, zone=known.zone
    )


def trouble_words(found: Trouble) -> str:
    """How often, how long, the worst of it and when, in one clause."""
    if not found.verdicts:
        return "no fault was seen"
    worst = max(found.verdicts, key=_weight)
    many = len(found.verdicts)
    share = percent(found.share, 1) if found.share >= 0.001 else "under 0.1 %"
    text = f"{many} episode{'s' if many != 1 else ''}, {share} of the time judged"
    when = (
        "was there before measuring began"
        if worst.standing
        else f"began {instant_words(worst.start_ns, found.zone)}"
    )
    text += f"; {'the worst' if many > 1 else 'it'} {when}"
    figures = []
    severity = worst.severity
    if severity is not None and tail_shaped(severity):
        figures.append(
            f"the slowest packets (95th percentile) {(severity.added_p95_s or 0.0) * 1e3:.0f} ms later"
        )
    elif severity is not None and severity.added_p50_s is not None and severity.added_p50_s >= 0.001:
        figures.append(f"{severity.added_p50_s * 1e3:.0f} ms added")
    if severity is not None and severity.lost and severity.loss_ratio is not None:
        low, high = severity.loss_low or 0.0, severity.loss_high or 0.0
        between = f"{percent(low, 1)} to {percent(high, 1)}"
        figures.append(f"{percent(severity.loss_ratio, 1)} of {severity.sent} packets lost ({between})")
    return text + (f", {' and '.join(figures)}" if figures else "")


def _weight(verdict: Verdict) -> float:
    severity = verdict.severity
    if severity is None:
        return 0.0
    return (severity.added_p50_s or 0.0) + 2.0 * (severity.loss_ratio or 0.0)


def of(cause: Cause, *groups: tuple[str, ...]) -> Callable[[Verdict, Explanation | None], bool]:
    """Verdicts of one cause, and where groups are given only those that name just one of them."""
    return lambda v, _: v.cause is cause and (not groups or v.elements in groups)


def fair_plan(home: Home, way: str) -> float | None:
    """What TCP can carry of the plan in one direction, bit/s; None without a plan."""
    if home.plan is None:
        return None
    plan = home.plan.up_bps if way == UP else home.plan.down_bps
    return goodput_bps(plan, header_octets=TCP_HEADERS)


def carried(known: HomeFacts, *, with_ceilings: bool) -> dict[tuple[str, str], LinkCapacity]:
    """What each link was seen to carry; upper ends by transfers and the plan, and by boxes if asked."""
    return capacities(known.home, known.rates, known.ceilings if with_ceilings else None)


def transfers_over(known: HomeFacts, link: str, way: str) -> list[tuple[Measured, int]]:
    """The transfers whose data crossed a link in a direction, the fastest first, each with its time."""
    out = []
    for one in known.rates:
        end = PROVIDER_EDGE if one.other_end in (DOWNLOADS, UPLOADS) else one.other_end
        path = known.home.path(one.agent, end) if end in known.home.nodes else None
        for start, crossed in zip(path.nodes, path.links, strict=False) if path else ():
            rises = start == crossed.near
            if crossed.name == link and (UP if rises == (one.way == "out") else DOWN) == way:
                at = known.rated_ns.get((one.agent, one.other_end, one.way), known.end_ns)
                out.append((one, at))
    return sorted(out, key=lambda pair: -pair[0].rate_bps)


def transfer_words(one: Measured, at_ns: int, zone: tzinfo | None) -> str:
    """A transfer as evidence: who, how much, when, told in `zone`."""
    at = instant_words(at_ns, zone)
    least = "at least " if one.at_least else ""
    to = "to" if one.way == "out" else "from"
    rate = f"{least}{one.rate_bps / 1e6:.1f} Mbit/s"
    if one.tests == 1:
        return f"a transfer {one.agent} {to} {one.other_end} moved {rate} ({at})"
    middle = f"{rate} in the middle of them (the last {at})"
    return f"{one.tests} transfers {one.agent} {to} {one.other_end} moved {middle}"


def newest_ns(readings: Sequence[Reading]) -> dict[tuple[str, str, str], int]:
    """When the newest transfer of each agent, other end and way began."""
    out: dict[tuple[str, str, str], int] = {}
    for reading in readings:
        figure = figure_of(reading.name)
        if figure is not None and figure.name == "rate_bps":
            key = (reading.agent, figure.other_end, figure.way)
            out[key] = max(out.get(key, 0), reading.at_ns)
    return out
