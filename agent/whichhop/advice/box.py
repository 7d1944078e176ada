"""Replacing the box whose ceiling is under the plan, once a transfer was seen to run into that ceiling."""

from collections.abc import Iterator

from whichhop.advice.facts import HomeFacts, carried, fair_plan, transfer_words, transfers_over
from whichhop.advice.step import Recommendation, RecommendationKind, RecommendedGain
from whichhop.cabling.equipment import Ceiling, Via, on_the_way, upgrades
from whichhop.capacity.links import DOWN, SAME, UP
from whichhop.model import PROVIDER_EDGE, Link, Path
from whichhop.model.inner_cause import Cost, Effort

AT_LIMIT = 0.7
"""A transfer within 30 % under a ceiling counts as held by it; a slower one was held by something else. Our
own choice: radio and cable ceilings are what is usual, not what is exact."""


def _held_links(known: HomeFacts, path: Path, ceiling: Ceiling) -> list[Link]:
    """The links of a path on which the ceiling holds."""
    boxes = {b.node: b for b in known.boxes}
    return [
        link
        for link in path.links
        if any(
            (c.node, c.part) == (ceiling.node, ceiling.part)
            for c in on_the_way(Path(nodes=(link.near, link.far), links=(link,)), boxes)
        )
    ]


def steps(known: HomeFacts) -> Iterator[Recommendation]:
    """For each part of a box that holds back an agent's way out: replace it, or measure first."""
    if known.home.plan is None or PROVIDER_EDGE not in known.home.nodes:
        return
    done: set[tuple[str, str]] = set()
    for agent in known.home.agents:
        path = known.home.path(agent.name, PROVIDER_EDGE)
        if path is None:
            continue
        all_ = on_the_way(path, {b.node: b for b in known.boxes})
        for upgrade in upgrades(all_, fair_plan(known.home, DOWN), fair_plan(known.home, UP)):
            at = (upgrade.node, upgrade.part)
            ceiling = next(c for c in all_ if (c.node, c.part) == at)
            if at in done:
                continue
            after = {DOWN: upgrade.after_down_bps, UP: upgrade.after_up_bps}
            found = list(_step(known, ceiling, _held_links(known, path, ceiling), after, agent.name))
            done |= {at} if found else set()
            yield from found


def _step(
    known: HomeFacts, ceiling: Ceiling, held: list[Link], after: dict[str, float], agent: str
) -> Iterator[Recommendation]:
    caps = carried(known, with_ceilings=False)
    gains: list[RecommendedGain] = []
    why: list[str] = []
    worth = 0.0
    unmeasured = False
    for way, most in ((DOWN, ceiling.down_bps), (UP, ceiling.up_bps)):
        fair = fair_plan(known.home, way)
        if fair is None or most >= fair * (1 - SAME):
            continue
        seen = max((caps[link.name, way].low_bps for link in held), default=0.0)
        if seen == 0.0:
            unmeasured = True
            continue
        if seen > most * (1 + SAME) or seen < most * AT_LIMIT:
            continue  # the description is too modest, or something else held the transfer
        opened = min(after[way], fair)
        if opened <= seen * (1 + SAME):
            continue
        fastest = max((t for link in held for t in transfers_over(known, link.name, way)), key=_rate)
        why.append(
            f"{transfer_words(*fastest, known.zone)}; {ceiling.node}'s {ceiling.part} lets at most "
            f"{most / 1e6:.0f} Mbit/s through {way} ({ceiling.basis}), "
            f"the plan would carry {fair / 1e6:.1f} Mbit/s"
        )
        gains.append(RecommendedGain(value=opened - seen, unit="bps", before=seen, after=opened, about=way))
        worth = max(worth, (opened - seen) / fair)
    if gains:
        cable = ceiling.via is Via.PORT
        yield Recommendation(
            key="replace-box",
            kind=RecommendationKind.FIX,
            what=f"Replace {ceiling.node}, whose {ceiling.part} carries less than the plan",
            where=ceiling.node,
            why=tuple(why),
            gains=tuple(gains),
            worth=worth,
            effort=Effort.HOUR,
            cost=Cost.MIDDLING if cable else Cost.LARGE,
            commands=(f"whichhop cabling {known.file} --equipment",),
        )
    elif unmeasured:
        target = "upstream" if ceiling.via is Via.LINE else f"{agent} {held[0].far}" if held else "upstream"
        yield Recommendation(
            key="measure-box",
            kind=RecommendationKind.MEASURE,
            what=f"Measure through {ceiling.node} before replacing it",
            where=ceiling.node,
            why=(
                f"its {ceiling.part} should carry less than the plan ({ceiling.basis}), but no transfer "
                "was seen to run into it",
            ),
            commands=(f"whichhop transfer {known.file} {target}",),
        )


def _rate(pair: tuple[object, int]) -> float:
    return float(getattr(pair[0], "rate_bps", 0.0))
