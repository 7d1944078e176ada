"""Faults beside and inside each other, small losses of radios, bad stretches and states of hours."""

from paper_home import measured
from suite.case import HOME_SIDE, Label
from suite.faults import Script, add_fault, causes_of, drawn, moments, tells_apart
from suite.quirky import CONFUSING
from suite.recipe import Fill, Recipe, elsewhere
from suite.standing import nothing, tail
from whichhop.lab.scenario import Effect, Fault, FaultWay
from whichhop.model import Cause, LinkKind, Medium

QUIET_S = 1500.0


def _single(script: Script, seconds: float) -> None:
    causes = causes_of(script)
    for at in moments(script, seconds, first_s=QUIET_S, gap_s=1500):
        add_fault(script, drawn(script, causes), at)


def _home_side(script: Script, seconds: float) -> None:
    causes = [c for c in causes_of(script) if c in HOME_SIDE]
    for at in moments(script, seconds, first_s=QUIET_S, gap_s=900):
        add_fault(script, drawn(script, causes), at)


def _together(count: int) -> Fill:
    """`count` faults at once that somebody could tell apart, each beginning while the first goes on."""

    def fill(script: Script, seconds: float) -> None:
        causes = [c for c in causes_of(script) if c is not Cause.NAME_SERVICE]
        for at in moments(script, seconds, first_s=QUIET_S, gap_s=1500):
            add_fault(script, drawn(script, causes), at)
            own = script.labels[-1:]
            lasts = own[0].end_s - own[0].start_s
            for _ in range(10 * (count - 1)):
                if len(own) == count:
                    break
                later = float(script.rng.uniform(0.0, 0.5)) * min(lasts, 120.0)
                marks = len(script.labels), len(script.faults), len(script.quirks)
                add_fault(script, drawn(script, causes), at + later)
                new = script.labels[marks[0] :]
                if new and all(tells_apart(script, one, new[0]) for one in own):
                    own += new
                else:
                    del script.labels[marks[0] :], script.faults[marks[1] :], script.quirks[marks[2] :]

    return fill


def _inside(script: Script, seconds: float) -> None:
    """A fault of a hop begins minutes after one of what it hangs on, and ends before it."""
    columns = script.columns
    upper = [k.name for k in script.home.links if k.kind is not LinkKind.WIRELESS and k.name in columns]
    pairs = [
        (a, k.name)
        for a in upper
        for k in script.home.links
        if k.kind in (LinkKind.WIRELESS, LinkKind.WIRED)
        and k.name in columns
        and columns[k.name] & columns[a]
        and columns[k.name] - columns[a]
        and columns[a] - columns[k.name]
    ]
    if not pairs:
        return
    for at in moments(script, seconds, first_s=QUIET_S, gap_s=1500):
        first, second = pairs[int(script.rng.integers(0, len(pairs)))]
        lasts = script.log_uniform(700, 1800)
        inner = float(script.rng.uniform(150, 300)), float(script.rng.uniform(90, 300))
        for element, start, for_s in ((first, at, lasts), (second, at + inner[0], inner[1])):
            link = script.home.link(element)
            loses = link.medium is Medium.ETHERNET or script.rng.random() < 0.4
            added = 0.0 if loses else script.log_uniform(0.03, 0.12)
            lost = script.log_uniform(0.12, 0.4) if loses else 0.0
            cause = _cause(script, element)
            effect = Effect(delay_s=added / 4, jitter_s=added / 4, loss_ratio=1 - (1 - lost) ** 0.5)
            script.faults.append(Fault(at_s=start, for_s=for_s, element=element, cause=cause, effect=effect))
            script.labels.append(
                Label(
                    start_s=start, end_s=start + for_s, element=element, cause=cause,
                    rhythm="outer" if element == first else "inner", size="loss" if loses else "delay",
                )
            )  # fmt: skip


def _cause(script: Script, element: str) -> Cause:
    kind = script.home.link(element).kind
    return {
        LinkKind.WIRELESS: Cause.WIRELESS_HOP,
        LinkKind.BACKHAUL: Cause.BACKHAUL,
        LinkKind.WIRED: Cause.WIRED_LAN,
        LinkKind.ACCESS: Cause.UPSTREAM_LINK,
        LinkKind.BEYOND: Cause.BEYOND,
    }[kind]


def _radios(script: Script) -> list[str]:
    return [
        k.name
        for k in script.home.links
        if (k.kind is LinkKind.WIRELESS or k.medium is Medium.RADIO) and k.name in script.columns
    ]


def _small_loss(script: Script, seconds: float) -> None:
    """A radio loses 3 to 8 % of the round trips for minutes, delaying nothing; both ways or one."""
    radios = _radios(script)
    for at in moments(script, seconds, first_s=QUIET_S, gap_s=1500):
        element = script.one_of(radios)
        if element is None:
            return
        lost = script.log_uniform(0.03, 0.08)
        way = (FaultWay.BOTH, FaultWay.UP, FaultWay.DOWN)[int(script.rng.integers(0, 3))]
        lasts, cause = script.log_uniform(400, 1800), _cause(script, element)
        effect = Effect(loss_ratio=lost if way is not FaultWay.BOTH else 1 - (1 - lost) ** 0.5, way=way)
        script.faults.append(Fault(at_s=at, for_s=lasts, element=element, cause=cause, effect=effect))
        script.labels.append(
            Label(
                start_s=at, end_s=at + lasts, element=element, cause=cause, rhythm="steady",
                size="under 5 %" if lost < 0.05 else "5 to 8 %",
            )
        )  # fmt: skip


def _outages(script: Script, seconds: float) -> None:
    """Links lose everything for 12 to 120 s: a cable pulled, a radio that changes its channel, a retrain."""
    links = [k.name for k in script.home.links if k.name in script.columns and k.kind is not LinkKind.BEYOND]
    for at in moments(script, seconds, first_s=QUIET_S, gap_s=600):
        element = script.one_of(links)
        if element is None:
            return
        lasts, cause = script.log_uniform(12, 120), _cause(script, element)
        script.faults.append(
            Fault(at_s=at, for_s=lasts, element=element, cause=cause, effect=Effect(outage=True))
        )
        script.labels.append(
            Label(start_s=at, end_s=at + lasts, element=element, cause=cause, rhythm="steady", size="outage")
        )


def _turns_bad(script: Script, seconds: float) -> None:
    """A good radio becomes a bad one for a stretch: 95th percentile 4.6 to 43.5 ms, the median hardly."""
    radios = _radios(script)
    for at in moments(script, seconds, first_s=QUIET_S, gap_s=1800):
        element = script.one_of(radios)
        if element is None:
            return
        lasts, cause = script.log_uniform(600, 2400), _cause(script, element)
        script.faults.extend(tail(element, at, at + lasts, cause, script.rng))
        script.labels.append(
            Label(
                start_s=at, end_s=at + lasts, element=element, cause=cause, rhythm="bad stretch", size="tail"
            )
        )


def _state(script: Script, seconds: float) -> None:
    """One radio or backhaul is worse by 20 to 40 ms, wandering, for hours: one fault, to be told once."""
    element = script.one_of(_radios(script))
    if element is None:
        return
    start = float(script.rng.uniform(2400, 4800))
    end = min(seconds - 1800, start + script.log_uniform(2 * 3600, 6 * 3600))
    cause = _cause(script, element)
    for spell in measured.level(element, start, end, script.log_uniform(0.020, 0.040), script.rng):
        effect = Effect(delay_s=spell.delay_s, jitter_s=spell.jitter_s)
        for_s = spell.end_s - spell.start_s
        script.faults.append(
            Fault(at_s=spell.start_s, for_s=for_s, element=element, cause=cause, effect=effect)
        )
    script.labels.append(
        Label(start_s=start, end_s=end, element=element, cause=cause, rhythm="state of hours", size="level")
    )


def _confusing(script: Script, seconds: float) -> None:
    kinds = list(CONFUSING.values())
    for at in moments(script, seconds, first_s=QUIET_S, gap_s=1200):
        kinds[int(script.rng.integers(0, len(kinds)))](script, at)


OVERLAPS: dict[str, Recipe] = {
    "other-single": Recipe(fill=_single, hours=6.0, home=elsewhere()),
    "other-home-side": Recipe(fill=_home_side, hours=6.0, home=elsewhere()),
    "other-double": Recipe(fill=_together(2), hours=6.0, home=elsewhere()),
    "other-triple": Recipe(fill=_together(3), hours=6.0, home=elsewhere()),
    "other-confusing": Recipe(fill=_confusing, hours=6.0, home=elsewhere()),
    "other-healthy": Recipe(fill=nothing, hours=12.0, home=elsewhere()),
    "inside": Recipe(fill=_inside, hours=6.0, home=elsewhere()),
    "small-loss": Recipe(fill=_small_loss, hours=6.0, home=elsewhere()),
    "outages": Recipe(fill=_outages, hours=6.0, home=elsewhere()),
    "turns-bad": Recipe(fill=_turns_bad, hours=6.0, home=elsewhere()),
    "state": Recipe(fill=_state, hours=9.0, home=elsewhere()),
}
