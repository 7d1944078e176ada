"""Plain sentences for a verdict, and for where there is none: what spoke for it, what was ruled out."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from typing import Protocol

from whichhop.model import CAUSE_TABLE, Cause, Level, LinkKind, Owner, SessionKey, Severity, Verdict
from whichhop.model.figure_words import how_long, listed, percent, probability_words
from whichhop.model.home import ALLOW_A_TARGET
from whichhop.model.inner_cause import Felt
from whichhop.model.links import HOUSE_CABLING
from whichhop.model.record import program_stamps, said_of


class NamedLink(Protocol):
    """A link as far as words need it: of the home file, or of a bulletin."""

    @property
    def name(self) -> str:
        """As the home file names it."""

    @property
    def kind(self) -> LinkKind:
        """A row of the table of links."""


NO_FAULT = "No fault found: nothing that was measured exceeds its own quiet baseline."
NO_FAULT_THEN = (
    "No fault found in the time that was judged: nothing measured then exceeds its own quiet baseline."
)
"""The same where an agent was not judged for part of the time."""
NO_FAULT_HEARD = "No fault found on what answered: nothing measured there exceeds its own quiet baseline."
"""The same where a target never answered, and nothing else measured the path to it."""
PAST_THE_HOME = (LinkKind.ACCESS, LinkKind.BEYOND)


PSEUDO = {
    "host": "the machine {} itself",
    "air": "the radio channel around {}",
    "node": "the box {} itself",
    "forward": "what the box {} passes on",
    "route": "the way through the box {} between the home and the line",
    "reply": "the answers of {} alone",
    "destination": "the destination {} alone",
    "resolver": "the resolver {}",
}


def element_words(name: str) -> str:
    """An element's name as a reader would say it."""
    kind, _, rest = name.partition(":")
    if rest and kind in PSEUDO:
        return PSEUDO[kind].format(rest).replace("the box box ", "the box ")
    if name == "own-traffic":
        return "the home's own traffic"
    if name == "beyond":
        return "the network past the provider's first hop"
    near, _, far = name.partition("/")
    return f"the link {near} to {far}" if far else f"the link {name}"


def names_words(names: tuple[str, ...]) -> str:
    """Several elements as a list with "or", since only one of them need be at fault."""
    words = [element_words(n) for n in names]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " or " + words[-1]


def all_names_words(names: Iterable[str]) -> str:
    """Several elements as a list with "and"."""
    return listed([element_words(n) for n in names])


def target_words(file: str = "the home file") -> str:
    """What to write where, so that the access line is measured."""
    return (
        f"add the line `{ALLOW_A_TARGET}` to {file}, HOST being a host name or address on the internet that"
        " you may probe (where `targets:` is there already, the part in brackets goes below it)"
    )


def not_judged_words(window_s: float) -> str:
    """The answer where no session was answered often enough to be judged; window_s: how long a window is."""
    return (
        f"Not determined: no session was answered three times in {how_long(window_s)}, the least that can be"
        " judged."
    )


def not_measured_words(
    links: Sequence[NamedLink],
    file: str = "the home file",
    seldom: Collection[str] = (),
    *,
    asked: bool = False,
    unsent: Sequence[str] = (),
) -> str:
    """What cannot be called free of faults, as no judged session crosses it, and the remedy; empty for none.

    file: the home file as the reader knows it. seldom: names of those that are probed, but too seldom.
    asked: whether targets past the home are asked, and do not answer. unsent: targets past them to which
    nothing was sent though the home names them.
    """
    crossed = [link for link in links if link.name not in seldom]
    each = _not_crossed_words(crossed, file, asked=asked, unsent=unsent)
    return " ".join(w for w in (each, _seldom_words([k for k in links if k.name in seldom])) if w)


def _seldom_words(links: Sequence[NamedLink]) -> str:
    """Where sessions cross it, neither one more of them nor one more agent would help."""
    if not links:
        return ""
    return (
        "Probes are answered too seldom to judge, so neither good nor bad is known of"
        f" {all_names_words(k.name for k in links)}. To judge it, send a probe every ten seconds or more"
        " often: it takes three answers in a minute."
    )


def _not_crossed_words(links: Sequence[NamedLink], file: str, *, asked: bool, unsent: Sequence[str]) -> str:
    if not links:
        return ""
    remedies = []
    if any(link.kind in PAST_THE_HOME for link in links):
        there = f"see why no packet to {listed(unsent)} is on record, though {file} names it"
        remedies.append("let a target past it answer" if asked else there if unsent else target_words(file))
    if any(link.kind not in PAST_THE_HOME for link in links):
        remedies.append("run an agent on a machine whose packets cross it")
    return (
        f"Not measured, so neither good nor bad is known of it: {all_names_words(k.name for k in links)}."
        f" To measure it, {', and '.join(remedies)}."
    )


def silent_words(targets: Sequence[str]) -> list[str]:
    """Targets that never answered, and what to look at, in a sentence; none for none."""
    if not targets:
        return []
    many = len(targets) > 1
    paths, theirs = ("paths to them", "their addresses are") if many else ("path to it", "its address is")
    text = f"{listed(targets)} did not answer a single packet, so nothing is determined about the {paths};"
    return [f"{text} see whether {theirs} right and {'they are' if many else 'it is'} on."]


def level_words(level: Level) -> str:
    """A level above what is usual, where packets cannot tell a fault from an unusual link."""
    if level.usual_low_s is None or level.usual_high_s is None:
        return ""
    where = names_words(level.elements[:1])
    rest = level.elements[1:]
    group = f" (or {names_words(rest)}, which packets cannot tell from it)" if rest else ""
    return (
        f"Of {_ms(level.round_trip_s)} about {_ms(level.level_s)} are on {where}{group}; usual are"
        f" {_ms(level.usual_low_s)} to {_ms(level.usual_high_s)}. A fault or an unusual link: packets cannot"
        " tell. An older figure would; for the access line its modem's levels or a second line would, too."
    )


def _ms(seconds: float) -> str:
    return f"{seconds * 1e3:.{0 if seconds >= 0.002 else 1}f} ms"


STANDING = "It was there before measuring began, so since when is not known."
STOOD = "It was there before measuring began, and is over."


LEAST_KNOWN_WAY = 3
"""Under three lost packets of known direction it is chance which way they went."""
TAIL_S = 0.005
"""The least added to the slowest that is worth a word where the median has hardly moved."""


def tail_shaped(severity: Severity) -> bool:
    """Whether the slowest packets are slower and the median has hardly moved: by under a fifth as much, and
    by less than is worth a word."""
    upper = severity.added_p95_s
    return upper is not None and upper >= TAIL_S and (severity.added_p50_s or 0.0) < min(0.2 * upper, TAIL_S)


def loss_way_words(severity: Severity) -> str:
    """Which way packets were lost, where STAMP's numbers tell it of enough of them; else empty."""
    known = severity.lost_there + severity.lost_back
    if known < LEAST_KNOWN_WAY:
        return ""
    there = "on the way there" if severity.way is None else "from {} to {}".format(*severity.way)
    if not severity.lost_back:
        each = f"all {there}"
    elif not severity.lost_there:
        each = "all on the way back" if severity.way is None else "all from {1} to {0}".format(*severity.way)
    else:
        each = f"{severity.lost_there} {there}, {severity.lost_back} on the way back"
    return f"; of {known} whose direction is known {each}"


def severity_words(severity: Severity) -> str:
    """The figures in a sentence, with the loss interval; empty when nothing was measured."""
    parts = []
    if tail_shaped(severity):
        median = max(0.0, severity.added_p50_s or 0.0)
        parts.append(
            f"the slowest packets (95th percentile) {_ms(severity.added_p95_s or 0.0)} later than usual, "
            f"while the median hardly moved ({median * 1e3:.1f} ms)"
        )
    elif severity.added_p50_s is not None and severity.added_p50_s >= 0.001:
        text = f"{severity.added_p50_s * 1e3:.0f} ms added to the usual round trip"
        if severity.added_p95_s is not None:
            text += f" ({severity.added_p95_s * 1e3:.0f} ms at the 95th percentile)"
        parts.append(text)
    if severity.lost and severity.loss_ratio is not None:
        low, high = severity.loss_low or 0.0, severity.loss_high or 0.0
        parts.append(
            f"{percent(severity.loss_ratio, 1)} of {severity.sent} packets lost "
            f"(95 % confidence interval {percent(low, 1)} to {percent(high, 1)}{loss_way_words(severity)})"
        )
    return " and ".join(parts)


def headline(verdict: Verdict) -> str:
    """The verdict in a sentence."""
    sure = f"{probability_words(verdict.probability)} sure"
    if verdict.cause is Cause.HEALTHY:
        return f"Nothing exceeds its own quiet baseline ({sure})."
    be = "is" if verdict.end_ns is None else "was"
    if verdict.place:
        place = f"{verdict.place[0].upper()}{verdict.place[1:]}"
        return f"{place} ({sure} that it {be} one of these, which packets cannot tell apart)."
    where = names_words(verdict.elements)
    if verdict.elements == (str(Cause.OWN_TRAFFIC),):
        fills = "fills" if verdict.end_ns is None else "filled"
        return f"The home's own traffic {fills} the access line ({sure})."
    if verdict.cause is Cause.NOT_SEPARABLE:
        return f"These cannot be told apart: {where} ({sure} that it {be} one of them)."
    words = CAUSE_TABLE[verdict.cause].words
    proof = "" if verdict.proven else "; proof is still missing"
    text = f"{words}: {where} ({sure}{proof})."
    return text[0].upper() + text[1:]


def shares_words(verdict: Verdict) -> str:
    """How likely each of several named elements is; empty for one alone."""
    shares = verdict.shares or {}
    if len(shares) < 2:
        return ""
    each = [f"{element_words(name)} {probability_words(p)}" for name, p in shares.items() if p >= 0.01]
    rest = len(shares) - len(each)
    return "Of these: " + ", ".join(each) + (f"; {rest} more under 1 %." if rest else ".")


NOT_PROVEN_OF_THE_LINE = (
    "Not proven to be the provider's: its line and what the home has at the end of it meet the same packets."
)


def owner_words(verdict: Verdict) -> str:
    """Whose it is to fix, or was while it went on."""
    if verdict.place:
        return NOT_PROVEN_OF_THE_LINE
    owner = CAUSE_TABLE[verdict.cause].owner
    if verdict.end_ns is not None:
        return {
            Owner.HOME: "It was the home's to fix.",
            Owner.PROVIDER: f"It was the provider's to fix, or {HOUSE_CABLING}.",
            Owner.PROVIDER_OR_FURTHER: "It was the provider's, or further out.",
            Owner.TARGET: "It was the destination's; nothing at home would have changed it.",
            Owner.RESOLVER: "It was for whoever runs the resolver.",
            Owner.NOBODY: "",
        }[owner]
    return {
        Owner.HOME: "It is the home's to fix.",
        Owner.PROVIDER: f"It is the provider's to fix, or {HOUSE_CABLING}.",
        Owner.PROVIDER_OR_FURTHER: "It is the provider's, or further out.",
        Owner.TARGET: "It is the destination's; nothing at home will change it.",
        Owner.RESOLVER: "It is for whoever runs the resolver.",
        Owner.NOBODY: "",
    }[owner]


def spoke_for(verdict: Verdict) -> str:
    """What spoke for it."""
    if verdict.severity is None:
        return ""
    figures = severity_words(verdict.severity)
    if not figures:
        return ""
    if not verdict.standing:
        return f"Sessions that cross it saw {figures}."
    then = "Sessions" if verdict.end_ns is None else "Until then sessions"
    if verdict.cause is Cause.OWN_TRAFFIC:
        return f"{then} that cross it saw {figures}, against the quiet minutes after it."
    if verdict.severity.loss_ratio != 1.0:
        # Its figures are of the minutes by which it was known; a report's are of its whole time.
        then = "In its first minutes sessions"
    return f"{then} that cross it saw {figures}, against what is usual for such links."


def standing_words(verdict: Verdict) -> str:
    """That a fault is older than the measuring, and what ended it showed; empty for any other."""
    if not verdict.standing:
        return ""
    return STANDING if verdict.end_ns is None else STOOD


def spells_words(verdict: Verdict) -> str:
    """That it came and went, how often and for how long; empty where it was there all the time."""
    if verdict.spells < 2 or verdict.spells_s is None:
        return ""
    length = how_long(verdict.spells_s)
    return f"It came and went: there {verdict.spells} times, {length} in all; the figures are of that time."


def since_words(verdict: Verdict, text: str) -> str:
    """When a verdict began, `text` being its time: for one that stood already, before that time."""
    return f"before {text}" if verdict.standing else text


def inside_words(verdict: Verdict) -> list[str]:
    """Why the hop is slow, with the figures that speak for it; or that it cannot be told, and what would."""
    found = verdict.inside
    if found is None:
        return []
    named = found.named
    if named is not None:
        return [f"{found.line}, because {'; '.join(named.evidence)}." if named.evidence else f"{found.line}."]
    return [f"{found.line}.", *(f"To tell why: {s}." for s in found.settles[:1])]


def felt_words(found: Felt) -> list[str]:
    """What users feel though no hop is slow: the answer, what they notice, figures, what to do."""
    return [
        f"{found.line}.",
        f"  What users notice: {found.feels}.",
        *(f"  Measured: {e}." for e in found.evidence),
        *(f"  Next: {s}" for s in found.steps),
        f"  To check afterwards: {found.check}",
    ]


def explain(verdict: Verdict) -> list[str]:
    """All sentences of a verdict, most important first."""
    out = [
        headline(verdict),
        standing_words(verdict),
        spells_words(verdict),
        shares_words(verdict),
        spoke_for(verdict),
        *inside_words(verdict),
        owner_words(verdict),
    ]
    out += [
        f"Ruled out: {element_words(r.what)}, because {r.why}"
        + (f" ({', '.join(r.sessions[:4])}{' ...' if len(r.sessions) > 4 else ''})." if r.sessions else ".")
        for r in verdict.ruled_out
    ]
    out += [f"Missing before the provider can be asked to fix it: {m}." for m in verdict.missing]
    out += [f"To be surer: {w}." for w in verdict.would_change]
    return [line for line in out if line]


NAMED = 3
"""Sessions named in the line; the rest are counted (`--json` has them all)."""


class Timed(Protocol):
    """What windows tell of their time stamps; a protocol, since these words are read without numpy."""

    @property
    def sessions(self) -> Sequence[SessionKey]:
        """Who was measured."""

    @property
    def coarse(self) -> bool:
        """Whether quantiles come from histogram buckets."""

    @property
    def stamps(self) -> Mapping[SessionKey, frozenset[str]]:
        """Whose stamps timed a session."""


def timing_words(windows: Timed) -> str:
    """Whose stamps the compared delays rest on; "" for a coarse table, whose buckets hide their error."""
    if windows.coarse:
        return ""
    stamps = windows.stamps
    known = [key for key in windows.sessions if key in stamps]
    told = [key for key in known if said_of(stamps[key])]
    if not told:
        none = "No minute has settled yet, so it is not on record who took the time stamps."
        return "These records do not say who took their time stamps." if known else none
    own = {key: program_stamps(key.method, stamps[key]) for key in told}
    late = [f"{key} ({', '.join(sorted(own[key]))})" for key in told if own[key]]
    text = f"Timed by the kernel's stamps in {_of(len(told) - len(late), len(told))}"
    if late:
        names = ", ".join(late[:NAMED]) + (f" and {len(late) - NAMED} more" if len(late) > NAMED else "")
        others = "others" if len(late) < len(told) else "all of them"
        text += f"; in {others} the program took some itself, which come late on a busy machine: {names}"
    rest = f" {len(known) - len(told)} of {len(known)} sessions do not say who took theirs."
    return f"{text}." + (rest if len(told) < len(known) else "")


def _of(count: int, whole: int) -> str:
    return f"all {whole} sessions" if count == whole else f"{count or 'none'} of {whole} sessions"
