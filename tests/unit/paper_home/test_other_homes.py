"""Homes of another mind are whole homes that the product accepts, of every shape and medium."""

from collections import Counter

import numpy as np
import pytest

from paper_home.other_homes import PLOTS, other_home
from whichhop.model import PROVIDER_EDGE, LinkKind, Medium, NodeKind, derive_sessions

HOMES = [other_home(np.random.default_rng(seed)) for seed in range(150)]


def test_every_home_is_one_tree_with_one_line_and_somebody_who_measures() -> None:
    for paper in HOMES:
        home = paper.home
        assert len(home.agents) >= 1
        assert sum(k.kind is LinkKind.ACCESS for k in home.links) == 1
        for name in home.nodes:
            assert home.path(name, PROVIDER_EDGE) is not None, (home.name, name)
        sessions = derive_sessions(home)
        crossed = {k.name for s in sessions for k in s.path.links}
        assert any(k.name in crossed for k in home.links if k.kind is LinkKind.ACCESS)
        addresses = [n.address for n in home.nodes.values() if n.address]
        assert len(addresses) == len(set(addresses))


def test_shapes_and_media_that_one_author_leaves_out_come_up() -> None:
    kinds = Counter(node.kind for p in HOMES for node in p.home.nodes.values())
    media = Counter(link.medium for p in HOMES for link in p.home.links)
    assert kinds[NodeKind.SWITCH] > 10
    assert media[Medium.POWER_LINE] > 10
    assert all(media[m] > 0 for m in (Medium.DSL, Medium.FIBRE, Medium.FIXED_WIRELESS, Medium.CABLE))
    assert sum(len(p.home.agents) == 1 for p in HOMES) > 15
    double = [p for p in HOMES if {"gateway", "router"} <= set(p.home.nodes)]
    assert len(double) > 5


@pytest.mark.parametrize("plot", PLOTS)
def test_a_shape_can_be_asked_for(plot: str) -> None:
    paper = other_home(np.random.default_rng(1), plot=plot, line=Medium.SATELLITE)
    line = next(k for k in paper.home.links if k.kind is LinkKind.ACCESS)
    assert line.medium is Medium.SATELLITE
    # Geostationary orbit: 558 ms there and back at the least (RFC 2488 2); the draw is about 600.
    assert 2 * paper.natures[line.name].delay_s > 0.45
