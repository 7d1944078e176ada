"""The homes on paper are whole trees of the promised size."""

import numpy as np
import pytest

from paper_home.homes import TYPICAL, PaperHome, random_home, typical
from whichhop.model import PROVIDER_EDGE, LinkKind, Method, derive_sessions


def _whole(paper: PaperHome) -> None:
    home = paper.home
    for name in home.nodes:
        assert home.path(name, PROVIDER_EDGE) is not None
    assert len(home.links) == len(home.nodes) - len(home.peers)
    assert len({k.name for k in home.links}) == len(home.links)
    assert all(k.name in paper.natures for k in home.links if k.kind is not LinkKind.BEYOND)
    assert len(home.agents) >= 2
    assert all(r.place in home.nodes for r in home.resolvers)


@pytest.mark.parametrize("name", TYPICAL)
def test_every_typical_home_is_a_whole_tree(name: str) -> None:
    _whole(typical(name, np.random.default_rng(1)))


def test_random_homes_are_whole_and_stay_within_their_bounds() -> None:
    rng = np.random.default_rng(2)
    sizes = []
    for _ in range(200):
        paper = random_home(rng)
        _whole(paper)
        sessions = [s for s in derive_sessions(paper.home) if s.key.method is not Method.LOOKUP]
        most = max(sum(s.key.agent == a.name for s in sessions) for a in paper.home.agents)
        sizes.append((len(paper.home.links), len(paper.home.agents), most))
        assert len(paper.home.links) <= 20
        assert len(paper.home.agents) <= 10
        assert most <= 12
    assert max(s[0] for s in sizes) >= 13
    assert max(s[2] for s in sizes) == 12
