"""The home now as a screen of at most 24 lines of 80 characters: pure words, nothing is asked here."""

import textwrap
from collections.abc import Iterable, Mapping, Sequence

from msgspec import Struct, field

from whichhop.app.looks.metric_text import LastRate
from whichhop.cli.text import clock_text, instant_text
from whichhop.compare.own_use_words import own_use_words
from whichhop.compare.words import (
    NO_FAULT,
    element_words,
    inside_words,
    level_words,
    owner_words,
    silent_words,
    since_words,
)
from whichhop.model import CAUSE_TABLE, Cause, LinkKind, Verdict
from whichhop.model.bulletin import Bulletin, LinkNow, LinkState, Topic
from whichhop.model.figure_words import TOO_LITTLE_YET, how_long, percent, probability_words
from whichhop.model.home import ALLOW_A_TARGET
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

WIDTH, HEIGHT = 80, 24
LABEL = 10
DAY_NS = 24 * 3600 * NS_PER_S
# The most lines of each part.
LINK_LINES, EPISODE_LINES, AGENT_LINES, RATE_LINES, MODEM_LINES, NEXT_LINES = 6, 3, 2, 2, 2, 3
LEAST_LINKS = 3
"""Links at fault come first, so what goes on now may take the room of the others."""


class View(Struct, frozen=True, kw_only=True):
    """All that the screen is made of.

    source: who judged. answers: by agent, why it does not answer, "" when it does. modems: one line each, by
    node. budget_mb: what today's transfers may still use and the whole; None where nobody could be asked.
    failing: by agent, which of its parts fail now.
    """

    bulletin: Bulletin
    source: str
    answers: Mapping[str, str]
    rates: Sequence[LastRate] = ()
    modems: Sequence[tuple[str, str]] = ()
    budget_mb: tuple[float, float] | None = None
    maker: str = ""
    """The fingerprint of the key that signs the home's reports; "" where no key is at hand."""
    failing: Mapping[str, str] = field(default_factory=dict)


def _part(label: str, lines: Iterable[str], most: int, more: tuple[str, str] = ("more", "more")) -> list[str]:
    """Lines beside a label, wrapped, and cut to `most` with what was left out counted; more: of one and of
    several, such as "more agent" and "more agents"."""
    items = list(lines)
    out: list[str] = []
    for place, item in enumerate(items):
        wrapped = textwrap.wrap(item, WIDTH - LABEL, break_on_hyphens=False) or [""]
        left = len(items) - place
        room = most - len(out) - (1 if left > 1 else 0)
        if len(wrapped) > room:
            if place == 0 or left == 1:  # at least the beginning of it
                wrapped = wrapped[: max(1, room)]
                wrapped[-1] = textwrap.shorten(wrapped[-1] + " ...", WIDTH - LABEL, placeholder=" ...")
                out += wrapped
                left -= 1
            if left and len(out) < most:
                out.append(f"and {left} {more[left > 1]}")
            break
        out += wrapped
    return [(label if i == 0 else "").ljust(LABEL) + line for i, line in enumerate(out[:most])]


def _now(bulletin: Bulletin) -> list[str]:
    """The answer, about what the bulletin says it is about."""
    silent = f"{' and '.join(bulletin.silent)} {'are' if len(bulletin.silent) > 1 else 'is'} silent"
    unseen = bulletin.named(LinkState.UNKNOWN)
    learning, waiting = f"{bulletin.learning_s:.0f} s", f"{bulletin.levels_s:.0f} s"
    said = {
        Topic.UNHEARD: "No agent is heard, so nothing is determined.",
        Topic.LEARNING: f"Still learning what is usual; the first verdict can come in {learning}.",
        Topic.BLIND: "Not determined now: every agent is busy, asleep or not heard of.",
        Topic.STARTING: f"{bulletin.suspicion}, which is not yet sure: {', '.join(bulletin.starting)}.",
        Topic.SILENT: f"No fault found as far as is heard; {silent}.",
        Topic.WAITING: f"{TOO_LITTLE_YET} Whether something was wrong before measuring began is known in"
        f" {waiting}." + (f" Not measured now: {', '.join(unseen)}." if unseen else ""),
        Topic.MODEM: "No fault found in packets, but the modem's levels are not as they should be.",
    }
    match bulletin.topic:
        case Topic.VERDICT:
            return _ongoing(bulletin)
        case Topic.UNMEASURED:
            return _unmeasured(bulletin)
        case Topic.UNUSUAL:
            return [NO_FAULT, *(level_words(v) for v in bulletin.unusual)]
        case Topic.FELT:
            first = bulletin.felt[0]
            return [f"No hop is slow, but {first.line}.", f"What users notice: {first.feels}."]
        case topic:
            early = topic in (Topic.LEARNING, Topic.WAITING)
            return [said.get(topic, NO_FAULT), *(bulletin.no_answer_yet if early else [])]


def _ongoing(bulletin: Bulletin) -> list[str]:
    lasting = bulletin.ongoing
    # The inside of a hop is told of one fault; of several, each has its line first.
    faults = [_fault(verdict, bulletin.at_ns, inside=len(lasting) == 1) for verdict in lasting]
    return [*faults, *(f"Felt besides, though no hop is slow by it: {f.line}." for f in bulletin.felt)]


def _unmeasured(bulletin: Bulletin) -> list[str]:
    unseen = bulletin.named(LinkState.UNKNOWN)
    lines = [f"No fault found on the links that are measured; not measured now: {', '.join(unseen)}."]
    if bulletin.unanswered:
        return [*lines, *silent_words(bulletin.unanswered)]
    past = any(k.kind is LinkKind.ACCESS and k.packets == 0 for k in bulletin.links if k.name in unseen)
    return [*lines, f"To measure the line, write `{ALLOW_A_TARGET}` in the home file."] if past else lines


def _since(at_ns: int, now_ns: int) -> str:
    return clock_text(at_ns, seconds=False) if now_ns - at_ns < DAY_NS else instant_text(at_ns)


def _fault(verdict: Verdict, now_ns: int, *, inside: bool) -> str:
    sure = f"{probability_words(verdict.probability)} sure"
    where = " or ".join(element_shown(name) for name in verdict.elements)
    if verdict.elements == (str(Cause.OWN_TRAFFIC),):
        what = "the home's own traffic fills the access line"
    elif verdict.place:
        what = f"{verdict.place}: one of these is at fault, packets cannot tell which"
    elif verdict.cause is Cause.NOT_SEPARABLE:
        what = f"one of {where} is at fault (which of them cannot be told apart)"
    else:
        what = f"{CAUSE_TABLE[verdict.cause].words} is at fault: {where}"
    proven = "" if verdict.proven else ", proof is still missing"
    since = since_words(verdict, _since(verdict.start_ns, now_ns))
    why = f" {_why(verdict)}" if inside and verdict.inside is not None else ""
    return f"{what[0].upper()}{what[1:]}, {sure}{proven}, since {since}.{why}"


def _why(verdict: Verdict) -> str:
    """The cause inside the hop with the first figure that speaks for it; more would fill the screen."""
    told = inside_words(verdict)
    if (named := verdict.why) is None or not named.evidence:
        return told[0]
    return f"{told[0].partition(', because ')[0]}, because {named.evidence[0]}."


def element_shown(name: str) -> str:
    """A link by the name that it has in the list of links; what is no link in words."""
    return name if "/" in name else element_words(name)


def _figures(link: LinkNow, own_traffic: bool) -> str:
    def ms(seconds: float) -> str:
        if seconds < 0.00005:
            return "under 0.1 ms"
        return f"{seconds * 1e3:.{0 if seconds >= 0.0995 else 1}f} ms"

    words = []
    if link.rtt_s is not None:
        words.append(ms(link.rtt_s))
    if link.added_s is not None and link.added_s >= 0.001:
        whose = " (own traffic)" if own_traffic else ""
        words.append(f"{ms(link.added_s)} over usual{whose}")
    if link.loss_ratio:
        words.append(f"{percent(link.loss_ratio, 1)} packet loss")
    return ", ".join(words)


def _links(bulletin: Bulletin) -> list[str]:
    """Links at fault first, then suspected, then in their order; as many as there is room for."""
    order = (LinkState.AT_FAULT, LinkState.SUSPECTED, LinkState.UNKNOWN, LinkState.NO_FAULT)
    rows = sorted(bulletin.links, key=lambda k: order.index(k.state))
    wide = min(34, max((len(k.name) for k in rows), default=0))
    own = any(Cause.OWN_TRAFFIC in v.elements for v in bulletin.ongoing)
    return [
        f"{k.name[:wide]:<{wide}}  {k.state:<9}  {_figures(k, own and k.kind is LinkKind.ACCESS)}".rstrip()
        for k in rows
    ]


def _whole_minutes(ns: int) -> float:
    """Seconds, those past the minute left out from one minute on."""
    return ns / NS_PER_S if ns < NS_PER_MINUTE else ns // NS_PER_MINUTE * 60


def _episodes(bulletin: Bulletin) -> list[str]:
    now = bulletin.at_ns
    past = [t.verdict for t in bulletin.told if t.verdict.end_ns is not None]
    judged = how_long(_whole_minutes(now - max(bulletin.since_ns, now - DAY_NS)))
    noted = [
        f"{clock_text(m.at_ns, seconds=False)} noted: {m.text}"
        for m in sorted(bulletin.notes, key=lambda m: -m.at_ns)
        if now - m.at_ns < DAY_NS
    ]
    if not past:
        return [f"no episode came to an end in the {judged} judged", *noted]
    total = sum((v.end_ns or now) - v.start_ns for v in past)
    length = how_long(_whole_minutes(total))
    head = f"{len(past)} episode{'s' if len(past) > 1 else ''}, {length} of {judged} judged"
    rows = [
        f"{since_words(v, clock_text(v.start_ns, seconds=False))}"
        f" to {clock_text(v.end_ns or now, seconds=False)}  "
        f"{v.cause}: {' or '.join(v.elements)}"
        for v in past
    ]
    return [head, *noted[:1], *rows]


def _agents(answers: Mapping[str, str], bulletin: Bulletin) -> list[str]:
    """What this machine met, and of those that answer it what the comparer met, such as a refusal."""
    well = [name for name, trouble in answers.items() if not trouble]
    lines = [f"{', '.join(well)} {'answers' if len(well) == 1 else 'answer'}"] if well else []
    lines += [f"{name} does not answer: {trouble}" for name, trouble in answers.items() if trouble]
    return [f"{a.name}: {a.trouble}" for a in bulletin.agents if a.trouble and a.name in well] + lines


def _rates(view: View) -> list[str]:
    plan = {"down": view.bulletin.plan_down_bps, "up": view.bulletin.plan_up_bps}

    def one(way: str, rate: float | None) -> str:
        if rate is None:
            return ""
        whole = plan[way]
        of = f" of {whole / 1e6:g}" if whole else ""
        return f"{rate / 1e6:.0f}{of} Mbit/s {way}"

    lines = []
    for rate in view.rates:
        words = [w for w in (one("down", rate.down_bps), one("up", rate.up_bps)) if w]
        if words:
            least = " or more" if rate.at_least else ""
            lines.append(f"{rate.agent} with {rate.other_end}: {', '.join(words)}{least}")
    use = own_use_words(view.bulletin)
    lines = [use, *lines] if use else lines
    return lines or ["none measured yet: whichhop transfer HOME AGENT upstream"]


def _next(bulletin: Bulletin) -> list[str]:
    """The bulletin's steps; else whose turn it is while something lasts."""
    if bulletin.steps:
        # Cautions are too long for a screen, and too important to be cut.
        return [
            f"{what} Mind its cautions: whichhop advise HOME." if danger else what
            for what, danger, _ in (step.partition(" Caution:") for step in bulletin.steps)
        ]
    if not bulletin.ongoing:
        return ["nothing to do"]
    turn = owner_words(bulletin.ongoing[0])
    return [f"{turn} The reasons: whichhop compare HOME".strip()]


def screen(view: View) -> str:
    """The whole screen, without an end of line at its end."""
    bulletin = view.bulletin
    title = f"{bulletin.home}, {instant_text(bulletin.at_ns)}"
    head = [textwrap.shorten(title, WIDTH, placeholder=" ..."), ""]
    lines = _part("Lately", _episodes(bulletin), EPISODE_LINES, ("earlier one", "earlier ones"))
    failing = [f"{agent}: {words}" for agent, words in view.failing.items()]
    lines += _part(
        "Agents", failing + _agents(view.answers, bulletin), AGENT_LINES, ("more line", "more lines")
    )
    lines += _part("Rates", _rates(view), RATE_LINES)
    lines += _part(
        "Modem",
        [line if len(view.modems) == 1 else f"{node} {line}" for node, line in view.modems],
        MODEM_LINES,
    )
    budget = (
        f"{view.budget_mb[0]:.0f} of {view.budget_mb[1]:.0f} MB left for today's transfers"
        if view.budget_mb
        else "not known: its keeper, the first agent of the home file, does not answer"
    )
    lines += _part("Budget", [budget], 1)
    key = f"key {view.maker}; " if view.maker else ""
    links = _links(bulletin)
    free = HEIGHT - len(head) - len(lines) - 1 - NEXT_LINES
    asked = _part("Now", _now(bulletin), free - min(LEAST_LINKS, len(links)))
    # A step cut off helps nobody: what links and answer leave free is the steps'.
    left = free - len(asked) - min(LEAST_LINKS, len(links))
    lines += _part("Next", _next(bulletin), NEXT_LINES + max(0, left))
    room = HEIGHT - len(head) - len(lines) - 1
    now = _part("Now", _now(bulletin), room - min(LEAST_LINKS, len(links)))
    shown = _part("Links", links, min(LINK_LINES, room - len(now)), ("more link", "more links"))
    return "\n".join(line.rstrip() for line in [*head, *now, *shown, *lines, f"({key}{view.source})"[:WIDTH]])
