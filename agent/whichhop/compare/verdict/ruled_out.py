"""What an episode rules out: other explanations, why they fail, and which sessions say so."""

from collections.abc import Sequence

import numpy as np

from whichhop.compare.suspects.elements import OWN_TRAFFIC, Element, Nature
from whichhop.compare.verdict.provider_guards import Scene, SeenInEpisode
from whichhop.model import RuledOut

MOST_NAMED = 8
"""More rows than this help nobody, and the nearest rivals come first. Chosen by reading reports; it bounds
what is printed, not what is concluded."""


def ruled_out(scene: Scene, seen: SeenInEpisode, lead: Element, named: Sequence[str]) -> tuple[RuledOut, ...]:
    """Elements that share sessions with the culprit yet have sessions of their own that stayed clean."""
    out = []
    rivals = [e for e in scene.elements if e.name not in named and e.column & lead.column]
    rivals.sort(key=lambda e: -len(e.column & lead.column))
    for rival in rivals:
        if rival.nature is Nature.OWN_TRAFFIC:
            continue
        clean = [i for i in sorted(rival.column - lead.column) if not seen.shows[i] and seen.sent[i] > 0]
        unseen = [i for i in sorted(lead.column - rival.column) if seen.shows[i]]
        if clean:
            out.append(_row(scene, rival.name, "sessions that cross it stayed in their quiet range", clean))
        elif unseen:
            out.append(_row(scene, rival.name, "sessions that avoid it show the trouble too", unseen))
    use = scene.use[np.isfinite(scene.use)]
    if OWN_TRAFFIC not in named and use.size and any(e.name == OWN_TRAFFIC for e in scene.elements):
        high = float(np.quantile(use, 0.9))
        why = f"the home used {min(high, 1.0):.0%} of its line or less"
        out.insert(0, RuledOut(what=OWN_TRAFFIC, why=why, sessions=()))
    return tuple(out[:MOST_NAMED])


def _row(scene: Scene, what: str, why: str, sessions: Sequence[int]) -> RuledOut:
    return RuledOut(what=what, why=why, sessions=tuple(str(scene.sessions[i].key) for i in sessions))
