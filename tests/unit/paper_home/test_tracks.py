"""The two-state loss chain and the grid of disturbances."""

import numpy as np
import pytest
from scipy import stats

from paper_home.tracks import Spell, Track, Tracks, gilbert, spell_of
from whichhop.lab.scenario import Cause, Effect, Fault, FaultWay


@pytest.mark.parametrize(
    ("p", "r", "loss", "se"),
    [(0.02, 0.25, 0.074074, 0.006629), (0.01, 0.5, 0.019608, 0.002370), (0.005, 0.2, 0.024390, 0.004564)],
)
def test_loss_of_the_chain_is_within_four_markov_errors(p: float, r: float, loss: float, se: float) -> None:
    # Source: textbook two-state chain, stationary loss p/(p+r); its standard error for 10,000 packets in a
    # row, correlation counted in. 100 repeats of 10,000, so the error of their mean is a tenth.
    rng = np.random.default_rng(7)
    seen = [gilbert(10_000, p, r, rng).mean() for _ in range(100)]
    assert abs(np.mean(seen) - loss) < 4 * se / 10
    assert np.std(seen) == pytest.approx(se, rel=0.35)


def test_runs_of_losses_are_geometric() -> None:
    # Textbook: a bad run lasts k packets with probability r (1-r)^(k-1). Against scipy's geom.
    bad = gilbert(400_000, 0.01, 0.3, np.random.default_rng(3))
    edges = np.flatnonzero(np.diff(np.concatenate(([0], bad.astype(int), [0]))))
    lengths = edges[1::2] - edges[::2]
    seen = [int((lengths == k).sum()) for k in range(1, 8)] + [int((lengths >= 8).sum())]
    expected = [len(lengths) * stats.geom.pmf(k, 0.3) for k in range(1, 8)] + [
        len(lengths) * stats.geom.sf(7, 0.3)
    ]
    assert stats.chisquare(seen, expected).pvalue > 1e-4


def test_delays_add_and_survivals_multiply() -> None:
    track = Track.empty(100.0, 60.0)
    track.lay(Spell(element="x", start_s=110, end_s=130, delay_s=0.01, loss_ratio=0.5))
    track.lay(Spell(element="x", start_s=120, end_s=200, delay_s=0.02, jitter_s=0.003, loss_ratio=0.2))
    at = track.at(np.array([105.0, 115.0, 125.0, 140.0]))
    assert track.delay_s[at] == pytest.approx([0, 0.01, 0.03, 0.02])
    assert track.loss_ratio[at] == pytest.approx([0, 0.5, 0.6, 0.2])
    assert track.jitter_s[at] == pytest.approx([0, 0, 0.003, 0.003])


def test_an_outage_loses_all_and_a_spell_one_way_leaves_the_other_alone() -> None:
    fault = Fault(
        at_s=5, for_s=10, element="a/b", cause=Cause.BACKHAUL, effect=Effect(outage=True, way=FaultWay.UP)
    )
    tracks = Tracks([spell_of(fault)], 0.0, 60.0)
    up = tracks.get("a/b", FaultWay.UP)
    assert up is not None
    assert up.loss_ratio[up.at(np.array([10.0]))] == 1.0
    assert tracks.get("a/b", FaultWay.DOWN) is None
