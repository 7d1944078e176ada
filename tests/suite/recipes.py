"""How each kind of case is made: a home, and a script of faults over some hours."""

import zlib
from collections.abc import Callable

import numpy as np
from msgspec.structs import replace

from paper_home.homes import TYPICAL, PaperHome, random_home, typical
from suite.boxes import BOXES
from suite.case import HOME_SIDE, Case, Label
from suite.faults import Script, Setting, add_fault, beneath_an_outage, causes_of, drawn, moments, tells_apart
from suite.overlaps import OVERLAPS
from suite.own_use import OWN_USE
from suite.quirky import CONFUSING
from suite.recipe import Recipe
from suite.standing import STANDING
from suite.truth import columns
from whichhop.lab.scenario import Effect, Fault, Profile, Quirk, QuirkKind, Scenario
from whichhop.model import Cause, Home, LinkKind, derive_sessions

WARM_UP_S = 600.0
"""What happens before there is any baseline is not held against a method by the first recipes."""
HEAD_S = 1800.0
"""Quiet time before the first fault, so that there is a baseline to begin with."""


def home_for(seed: int, rng: np.random.Generator) -> PaperHome:
    """The typical homes in turn, and every third time a random one."""
    if seed % 3 == 2:
        return random_home(rng)
    return typical(list(TYPICAL)[(seed - seed // 3) % len(TYPICAL)], rng)


def _mixed(script: Script, seconds: float) -> None:
    causes = causes_of(script)
    for at in moments(script, seconds, first_s=HEAD_S, gap_s=1500):
        add_fault(script, drawn(script, causes), at)


def _home_side(script: Script, seconds: float) -> None:
    causes = [c for c in causes_of(script) if c in HOME_SIDE]
    for at in moments(script, seconds, first_s=HEAD_S, gap_s=1200):
        add_fault(script, drawn(script, causes), at)


def _double(script: Script, seconds: float) -> None:
    """Two faults at once, of different places; often the home's own traffic on top of another."""
    causes = [c for c in causes_of(script) if c is not Cause.NAME_SERVICE]
    for at in moments(script, seconds, first_s=HEAD_S, gap_s=1500):
        first = drawn(script, causes)
        add_fault(script, first, at)
        one = script.labels[-1]
        overlap = float(script.rng.uniform(0.0, 0.5)) * min(one.end_s - one.start_s, 120.0)
        for _ in range(10):
            second = Cause.OWN_TRAFFIC if script.rng.random() < 0.25 else drawn(script, causes)
            marks = len(script.labels), len(script.faults), len(script.quirks)
            add_fault(script, second, at + overlap)
            if len(script.labels) > marks[0] and tells_apart(script, one, script.labels[-1]):
                break
            del script.labels[marks[0] :], script.faults[marks[1] :], script.quirks[marks[2] :]


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


FIRST: dict[str, tuple[Callable[[Script, float], None], float]] = {
    # recipe -> how to fill the script, hours of a case; the order seeds their dice
    "mixed": (_mixed, 12.0),
    "confusing": (_confusing, 12.0),
    "double": (_double, 12.0),
    "missing-agent": (_mixed, 12.0),
    "evening": (_evening, 24.0),
    "healthy": (_healthy, 24.0),
    "home-side": (_home_side, 24.0),
}
LATER = STANDING | OWN_USE | BOXES | OVERLAPS
WELL = "-well"
"""Behind a recipe's name: its healthy twin, the same home measured alike, with nothing scripted."""
ALREADY_WELL = {"unusual", "other-healthy", "other-confusing"}
RECIPES: dict[str, Recipe] = {
    **{
        name: Recipe(fill=fill, hours=hours, home=home_for, warm_up_s=WARM_UP_S)
        for name, (fill, hours) in FIRST.items()
    },
    **LATER,
    **{f"{name}{WELL}": replace(r, well=True) for name, r in LATER.items() if name not in ALREADY_WELL},
}


def _dice(recipe: str, seed: int) -> np.random.Generator:
    """A recipe's own dice; its healthy twin has the same, so that it is the same home."""
    name = recipe.removesuffix(WELL)
    number = list(FIRST).index(name) if name in FIRST else zlib.crc32(name.encode())
    return np.random.default_rng([number, seed])


def nature_seed(recipe: str, seed: int) -> int:
    """What a case's natural noise is drawn with: twins alike, recipes apart."""
    name = recipe.removesuffix(WELL)
    return seed if name in FIRST else zlib.crc32(f"{name}:{seed}".encode())


def make_case(
    recipe: str, seed: int, hours: float | None = None, profile: Profile = Profile.SIMULATED
) -> Case:
    """The case of a recipe and a seed; the same seed makes the same case."""
    made = RECIPES[recipe]
    seconds = round((hours or made.hours) * 3600)
    rng = _dice(recipe, seed)
    paper = made.home(seed, rng)
    bare = Scenario(
        name=f"{recipe}:{seed}",
        home=paper.home,
        natures=paper.natures,
        seconds=seconds,
        noise=1.0,
        counters=bool(rng.random() < made.counted),
        profile=profile,
    )
    absent = _gone(recipe, paper.home, rng)
    heard = [s for s in derive_sessions(paper.home) if not {s.key.agent, s.key.target} & absent]
    quirks = [
        Quirk(at_s=-60, for_s=seconds + 120, kind=QuirkKind.ABSENT, element=f"host:{name}") for name in absent
    ]
    script = Script(
        paper=paper,
        rng=rng,
        columns=columns(bare, heard),
        faults=[],
        quirks=quirks,
        labels=[],
        setting=Setting(counters=bare.counters),
    )
    made.fill(script, seconds)
    setting = script.setting
    if made.well:
        script.faults, script.quirks, script.labels = [], [], []
    if setting.silent_s > 0:
        script.quirks += [
            Quirk(
                at_s=seconds - setting.silent_s, for_s=3600, kind=QuirkKind.ABSENT, element=f"host:{a.name}"
            )
            for a in paper.home.agents
        ]
    scenario = replace(
        bare,
        faults=tuple(script.faults),
        quirks=tuple(script.quirks),
        counters_each_s=setting.counters_each_s,
        clocks_s=setting.clocks_s,
    )
    labels = tuple(
        replace(x, end_s=min(x.end_s, seconds), harmless=x.harmless or beneath_an_outage(script, x))
        for x in script.labels
    )
    return Case(
        recipe=recipe,
        seed=seed,
        scenario=scenario,
        labels=labels,
        absent=absent,
        told=setting.told,
        warm_up_s=made.warm_up_s,
    )
