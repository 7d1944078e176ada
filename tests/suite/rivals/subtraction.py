"""Plain subtraction: what the next hop adds over the one before, against fixed thresholds."""

import numpy as np
import numpy.typing as npt

from suite.rivals.common import DELAY_S, LOSS, View, verdicts_of
from whichhop.compare.suspects.elements import OWN_TRAFFIC, Element
from whichhop.model import LinkKind, Method, Session, Verdict


def judge(view: View) -> list[Verdict]:
    """Blame the links between neighbours on an agent's way out when the further one is so much worse."""
    blamed: dict[tuple[Element, ...], npt.NDArray[np.bool_]] = {}
    elements = {e.name: e for e in view.elements}
    places = {s.key: i for i, s in enumerate(view.sessions)}
    for agent in dict.fromkeys(s.key.agent for s in view.sessions):
        ladder = _ladder([s for s in view.sessions if s.key.agent == agent], view.home.way_out(agent))
        peers = [s for s in view.sessions if s.key.agent == agent and s.key.target in view.home.peers]
        before_s, before_loss = np.zeros(len(view.loss)), np.zeros(len(view.loss))
        crossed: set[str] = set()
        for step in (*([s] for s in ladder), peers):
            if not step:
                continue
            columns = [places[s.key] for s in step]
            # Of the peers the least worse: else it is one destination.
            worse_s = _least(view.excess_s[:, columns])
            worse_loss = _least(view.loss[:, columns])
            new = [k for k in step[0].path.links if k.name not in crossed]
            names = [k.name for k in new] + [OWN_TRAFFIC for k in new if k.kind is LinkKind.ACCESS]
            links = tuple(elements[name] for name in names)
            with np.errstate(invalid="ignore"):
                hit = (worse_s - before_s > DELAY_S) | (worse_loss - before_loss > LOSS)
            if links:
                blamed[links] = blamed.get(links, np.zeros(len(hit), bool)) | hit
            crossed |= {k.name for k in step[0].path.links}
            before_s, before_loss = np.nan_to_num(worse_s), np.nan_to_num(worse_loss)
    return verdicts_of(view, blamed)


def _least(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    filled = np.where(np.isnan(values), np.inf, values).min(axis=1)
    return np.where(np.isinf(filled), np.nan, filled)


def _ladder(own: list[Session], way_out: object) -> list[Session]:
    """An agent's sessions along its way out, nearest first."""
    order = {name: i for i, name in enumerate(way_out)}  # type: ignore[call-overload]
    found = [s for s in own if s.key.target in order and s.key.method is not Method.LOOKUP]
    return sorted(found, key=lambda s: order[s.key.target])
