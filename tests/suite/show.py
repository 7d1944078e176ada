"""One case told line by line: what was truly going on, what a method said, and what nature did meanwhile."""

from collections.abc import Iterator

from paper_home.paper import prepare
from suite.play import METHODS, START_NS, draw
from suite.recipes import nature_seed
from suite.scoring import Score, score, spoken
from whichhop.lab.scenario import Profile
from whichhop.model import Verdict
from whichhop.model.units import NS_PER_S


def _clock(at_s: float) -> str:
    return f"{int(at_s // 3600):02d}:{int(at_s // 60 % 60):02d}:{at_s % 60:04.1f}"


def _words(verdict: Verdict) -> str:
    end = verdict.end_ns
    parts = [
        f"{_clock((verdict.start_ns - START_NS) / NS_PER_S)} to",
        "now" if end is None else _clock((end - START_NS) / NS_PER_S),
        f"{verdict.cause} {'+'.join(verdict.elements)} p={verdict.probability:.4f}",
    ]
    return " ".join(parts if verdict.proven else (*parts, "unproven"))


def story(
    recipe: str, seed: int, hours: float | None, method: str, profile: Profile = Profile.SIMULATED
) -> Iterator[str]:
    """Lines about one case: every label with its outcome, every verdict with what it stands beside."""
    data = draw(recipe, seed, hours, profile)
    case, home = data.case, data.case.scenario.home
    verdicts = sorted(METHODS[method](data), key=lambda v: v.start_ns)
    got: Score = score(method, case, data.sessions, verdicts, start_ns=START_NS, run_s=0.0)
    yield f"{case.name}: {home.name}, {len(data.sessions)} sessions, {len(home.agents)} agents"
    outcomes = iter(got.labels)
    for label in case.labels:
        told = "harmless" if label.harmless else ""
        if not label.harmless:
            own = next(outcomes)
            told = own.outcome if own.delay_s is None else f"{own.outcome} after {own.delay_s:.0f} s"
        yield (
            f"truth {_clock(label.start_s)} to {_clock(label.end_s)} {label.cause} {label.element} "
            f"({label.rhythm}, {label.size}): {told}"
        )
    run = prepare(case.scenario, nature_seed(recipe, seed))
    scored = {id(v): s for v, s in zip(spoken(verdicts, START_NS, case.warm_up_s), got.verdicts, strict=True)}
    for verdict in verdicts:
        mark = scored.get(id(verdict))
        if mark is None:
            continue
        word = "right" if mark.right else f"WRONG beside {mark.beside}"
        yield f"said  {_words(verdict)}: {word}"
        if mark.right or mark.beside == "fault":
            continue
        first = (verdict.start_ns - START_NS) / NS_PER_S
        last = first + 600 if verdict.end_ns is None else (verdict.end_ns - START_NS) / NS_PER_S
        for spell in run.spells[len(case.scenario.faults) :]:
            if spell.start_s < last and spell.end_s > first - 10:
                lasts = spell.end_s - spell.start_s
                yield (
                    f"        nature {spell.element} {_clock(spell.start_s)} for {lasts:.1f} s {spell.way} "
                    f"jitter {spell.jitter_s * 1e3:.1f} ms loss {spell.loss_ratio:.2f}"
                )
        for quirk in run.quirks:
            if quirk.at_s < last and quirk.at_s + quirk.for_s > first - 10:
                since = _clock(quirk.at_s)
                yield f"        quirk {quirk.kind} {quirk.element} since {since} for {quirk.for_s:.0f} s"
