"""How each kind of case is made: a home, and a script of faults over some hours."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from paper_home.homes import TYPICAL, PaperHome, random_home, typical
from suite.case import HOME_SIDE, Case, Label
from suite.faults import Script, add_fault, causes_of, moments
from suite.quirky import CONFUSING
from suite.truth import columns
from whichhop.lab.scenario import Effect, Fault, Quirk, QuirkKind, Scenario
from whichhop.model import Cause, Home, LinkKind, derive_sessions

HEAD_S = 1800.0
"""Quiet time before the first fault, so that there is a baseline to begin with."""
# How often each cause is drawn: what practitioners meet, common practice.
WEIGHTS: dict[Cause, float] = {
    Cause.WIRELESS_HOP: 5,
    Cause.BACKHAUL: 4,
    Cause.WIRED_LAN: 1.5,
    Cause.HOME_NODE: 1.5,
    Cause.OWN_TRAFFIC: 3,
    Cause.UPSTREAM_LINK: 3,
    Cause.BEYOND: 2,
    Cause.DESTINATION: 1,
    Cause.RESPONDER: 1,
    Cause.NAME_SERVICE: 1,
}


def home_for(seed: int, rng: np.random.Generator) -> PaperHome:
    """The typical homes in turn, and every third time a random one."""
    if seed % 3 == 2:
        return random_home(rng)
    return typical(list(TYPICAL)[(seed - seed // 3) % len(TYPICAL)], rng)


def _drawn(script: Script, causes: list[Cause]) -> Cause:
    weights = np.array([WEIGHTS[c] for c in causes])
    return causes[int(script.rng.choice(len(causes), p=weights / weights.sum()))]


def _mixed(script: Script, seconds: float) -> None:
    causes = causes_of(script)
    for at in moments(script, seconds, first_s=HEAD_S, gap_s=1500):
        add_fault(script, _drawn(script, causes), at)


def _home_side(script: Script, seconds: float) -> None:
    causes = [c for c in causes_of(script) if c in HOME_SIDE]
    for at in moments(script, seconds, first_s=HEAD_S, gap_s=1200):
        add_fault(script, _drawn(script, causes), at)


def _double(script: Script, seconds: float) -> None:
    """Two faults at once, of different places; often the home's own traffic on top of another."""
    causes = [c for c in causes_of(script) if c is not Cause.NAME_SERVICE]
    for at in moments(script, seconds, first_s=HEAD_S, gap_s=1500):
        first = _drawn(script, causes)
        add_fault(script, first, at)
        one = script.labels[-1]
        overlap = float(script.rng.uniform(0.0, 0.5)) * min(one.end_s - one.start_s, 120.0)
        for _ in range(10):
            second = Cause.OWN_TRAFFIC if script.rng.random() < 0.25 else _drawn(script, causes)
            marks = len(script.labels), len(script.faults), len(script.quirks)
            add_fault(script, second, at + overlap)
            if len(script.labels) > marks[0] and _tells_apart(script, one, script.labels[-1]):
                break
            del script.labels[marks[0] :], script.faults[marks[1] :], script.quirks[marks[2] :]


def _tells_apart(script: Script, one: Label, two: Label) -> bool:
    """Whether two faults at once differ in the sessions that feel them, or in what no own traffic does.

    The home's own traffic delays and hardly loses, so a line that also loses is a second fault to be seen.
    """
    if script.columns.get(one.element) != script.columns.get(two.element):
        return True
    line = one if two.cause is Cause.OWN_TRAFFIC else two
    if Cause.OWN_TRAFFIC not in (one.cause, two.cause) or line.cause is Cause.OWN_TRAFFIC:
        return False
    return any(
        f.element == line.element and f.at_s >= line.start_s and _loses(f.effect) >= 0.15
        for f in script.faults
    )


def _loses(effect: Effect) -> float:
    """Share of packets that an effect loses in one direction."""
    p, r = effect.burst or (0.0, 1.0)
    return 1.0 if effect.outage else max(effect.loss_ratio, p / (p + r))


def _confusing(script: Script, seconds: float) -> None:
    kinds = list(CONFUSING.values())
    for at in moments(script, seconds, first_s=HEAD_S, gap_s=1200):
        kinds[int(script.rng.integers(0, len(kinds)))](script, at)


def _gone(recipe: str, home: Home, rng: np.random.Generator) -> frozenset[str]:
    """The agent that never reports, in homes that have more than two."""
    agents = home.agents
    if recipe != "missing-agent" or len(agents) < 3:
        return frozenset()
    return frozenset({agents[int(rng.integers(0, len(agents)))].name})


def _evening(script: Script, seconds: float) -> None:
    """The provider is slow from six to eleven, every evening; the run begins at noon."""
    rng = script.rng
    beyond = rng.random() < 0.5
    kinds = (LinkKind.BEYOND,) if beyond else (LinkKind.ACCESS,)
    link = next(k for k in script.home.links if k.kind in kinds)
    cause = Cause.BEYOND if beyond else Cause.UPSTREAM_LINK
    peak = script.log_uniform(0.02, 0.12)
    loss = script.log_uniform(0.001, 0.04)
    for day in range(int(np.ceil(seconds / 86_400))):
        start = day * 86_400 + 6 * 3600 + rng.uniform(0, 1800)
        end = min(day * 86_400 + 11 * 3600 - rng.uniform(0, 1800), seconds - 600)
        if end - start < 1800:
            continue
        # Rises over the first half hour and falls over the last, in steps of three minutes.
        for at in np.arange(start, end, 180.0):
            share = float(np.clip(min(at - start + 180, end - at) / 1800, 0.1, 1.0))
            effect = Effect(
                delay_s=0.25 * peak * share, jitter_s=0.25 * peak * share, loss_ratio=0.5 * loss * share
            )
            for_s = float(min(180.0, end - at))
            script.faults.append(
                Fault(at_s=float(at), for_s=for_s, element=link.name, cause=cause, effect=effect)
            )
        size = "small" if peak < 0.04 else "middling" if peak < 0.08 else "large"
        script.labels.append(
            Label(start_s=start, end_s=end, element=link.name, cause=cause, rhythm="evening", size=size)
        )


def _healthy(script: Script, seconds: float) -> None:
    """Natural noise only."""


RECIPES: dict[str, tuple[Callable[[Script, float], None], float]] = {
    # recipe -> how to fill the script, hours of a case
    "mixed": (_mixed, 12.0),
    "confusing": (_confusing, 12.0),
    "double": (_double, 12.0),
    "missing-agent": (_mixed, 12.0),
    "evening": (_evening, 24.0),
    "healthy": (_healthy, 24.0),
    "home-side": (_home_side, 24.0),
}


def make_case(recipe: str, seed: int, hours: float | None = None) -> Case:
    """The case of a recipe and a seed; the same seed makes the same case."""
    fill, usual = RECIPES[recipe]
    seconds = round((hours or usual) * 3600)
    rng = np.random.default_rng([list(RECIPES).index(recipe), seed])
    paper = home_for(seed, rng)
    bare = Scenario(
        name=f"{recipe}:{seed}",
        home=paper.home,
        natures=paper.natures,
        seconds=seconds,
        noise=1.0,
        counters=bool(rng.random() < 0.8),
    )
    absent = _gone(recipe, paper.home, rng)
    heard = [s for s in derive_sessions(paper.home) if not {s.key.agent, s.key.target} & absent]
    quirks = [
        Quirk(at_s=-60, for_s=seconds + 120, kind=QuirkKind.ABSENT, element=f"host:{name}") for name in absent
    ]
    script = Script(paper=paper, rng=rng, columns=columns(bare, heard), faults=[], quirks=quirks, labels=[])
    fill(script, seconds)
    scenario = replace(bare, faults=tuple(script.faults), quirks=tuple(script.quirks))
    labels = tuple(replace(x, end_s=min(x.end_s, seconds)) for x in script.labels)
    return Case(recipe=recipe, seed=seed, scenario=scenario, labels=labels, absent=absent)
