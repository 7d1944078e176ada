"""Two targets that fail one after the other prove no fault of what lies before both."""

from types import SimpleNamespace

import numpy as np

from whichhop.compare.suspects.elements import Nature
from whichhop.compare.verdict.provider_guards import _one_by_one

LOST_TOGETHER = [[4, 3], [10, 10], [10, 9], [5, 6]]
LOST_APART = [[7, 0], [10, 10], [10, 9], [5, 6]]


def missing(lost, *, agents=3, nature=Nature.BEYOND):
    """What is missing where each agent loses so many of ten packets a tick to each of two peers."""
    lost = np.tile(np.array(lost), (1, agents))
    sessions = [SimpleNamespace(key=SimpleNamespace(target=t)) for _ in range(agents) for t in ("a", "b")]
    scene = SimpleNamespace(
        sessions=sessions,
        home=SimpleNamespace(peers={"a": None, "b": None}),
        speaks=np.ones(lost.shape, dtype=bool),
        table=SimpleNamespace(lost=lost, sent=np.full(lost.shape, 10)),
    )
    seen = SimpleNamespace(shows=np.ones(len(sessions), dtype=bool))
    return _one_by_one(scene, seen, SimpleNamespace(nature=nature, column=frozenset(range(len(sessions)))))


def test_targets_that_begin_apart_are_no_proof_and_those_that_lose_together_are():
    assert len(missing(LOST_APART)) == 1
    assert missing(LOST_TOGETHER) == []


def test_the_line_itself_is_not_asked_and_one_agent_is_too_few_to_tell():
    assert missing(LOST_APART, nature=Nature.ACCESS) == []
    assert missing([[6, 1], [10, 10]], agents=1) == []
