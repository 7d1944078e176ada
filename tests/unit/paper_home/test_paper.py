"""The home on paper: what each packet meets, and that the same seed draws the same."""

from itertools import chain

import numpy as np
import pytest
from scipy import stats

from paper_home.flight import Packets
from paper_home.paper import PaperRun, prepare
from support.paper import alder_house
from whichhop.lab.scenario import Effect, Fault, FaultWay, LinkNature, Quirk, QuirkKind, Scenario
from whichhop.model import Cause, Fate

EACH = LinkNature(delay_s=0.001)


def _packets(scenario: Scenario, seed: int = 1) -> tuple[PaperRun, list[Packets]]:
    run = prepare(scenario, seed)
    return run, list(chain.from_iterable(run.chunks()))


def _row(run: PaperRun, packets: list[Packets], name: str) -> tuple[Packets, int]:
    """The packets of the session written AGENT>TARGET:METHOD, and their row."""
    wanted = next(i for i, s in enumerate(run.sessions) if str(s.key) == name)
    part = next(p for p in packets if wanted in p.rows)
    return part, int(np.flatnonzero(part.rows == wanted)[0])


def _rtt(run: PaperRun, packets: list[Packets], name: str) -> np.ndarray:
    part, row = _row(run, packets, name)
    return part.rtt_s[row]


def test_a_quiet_round_trip_is_twice_the_links_it_crosses() -> None:
    run, packets = _packets(alder_house())
    for session in run.sessions:
        rtt = _rtt(run, packets, str(session.key))
        assert rtt == pytest.approx(0.002 * len(session.path.links), abs=1e-7)


def test_jitter_of_both_directions_is_a_gamma_of_shape_two() -> None:
    # Two independent exponentials of one mean sum to Gamma(2, mean) (textbook); KS test against scipy.
    natures = {"desk/attic": LinkNature(delay_s=0.001, jitter_s=0.004), "attic/router": EACH}
    run, packets = _packets(alder_house(seconds=3600, natures=natures))
    rtt = _rtt(run, packets, "desk>attic:stamp")
    assert stats.kstest(rtt - 0.002, stats.gamma(2, scale=0.004).cdf).pvalue > 1e-4


def test_independent_loss_is_binomial_and_its_direction_known_to_stamp_only() -> None:
    natures = {"desk/attic": LinkNature(loss_ratio=0.05)}
    run, packets = _packets(alder_house(seconds=3600, natures=natures))
    part, row = _row(run, packets, "desk>attic:stamp")
    out, back = (int((part.fate[row] == f).sum()) for f in (Fate.LOST_OUT, Fate.LOST_BACK))
    assert stats.binomtest(out, 3600, 0.05).pvalue > 1e-4
    assert stats.binomtest(back, 3600, 0.95 * 0.05).pvalue > 1e-4
    part, row = _row(run, packets, "desk>router:echo")
    assert stats.binomtest(int((part.fate[row] == Fate.LOST).sum()), 3600, 1 - 0.95**2).pvalue > 1e-4
    assert not np.isin(part.fate[row], (Fate.LOST_OUT, Fate.LOST_BACK)).any()


def test_a_fault_touches_the_sessions_that_cross_its_link_while_it_lasts_and_no_others() -> None:
    fault = Fault(
        at_s=200, for_s=100, element="attic/router", cause=Cause.BACKHAUL, effect=Effect(delay_s=0.03)
    )
    run, packets = _packets(alder_house(faults=(fault,)))
    for session in run.sessions:
        part, row = _row(run, packets, str(session.key))
        crossing = any(link.name == "attic/router" for link in session.path.links)
        inside = (part.sent_s[row] >= 200) & (part.sent_s[row] < 300)
        added = part.rtt_s[row] - 0.002 * len(session.path.links)
        assert added[inside] == pytest.approx(0.06 if crossing else 0.0, abs=1e-6)
        assert added[~inside] == pytest.approx(0.0, abs=1e-6)


def test_a_burst_is_one_chain_for_all_packets_of_a_direction() -> None:
    # Mean burst 1/r = 4 packets, counted over all sessions that cross the link, in order of time.
    effect = Effect(burst=(0.02, 0.25), way=FaultWay.UP)
    fault = Fault(at_s=0, for_s=3600, element="modem/provider-edge", cause=Cause.UPSTREAM_LINK, effect=effect)
    run, packets = _packets(alder_house(seconds=3600, faults=(fault,)))
    part = packets[0] if packets[0].interval_s == 1.0 else packets[1]
    rows = [i for i, r in enumerate(part.rows) if any(k.kind == "access" for k in run.sessions[r].path.links)]
    order = np.argsort(part.sent_s[rows], axis=None)
    bad = np.isin(part.fate[rows], (Fate.LOST_OUT, Fate.LOST)).reshape(-1)[order]
    n, p, r = len(bad), 0.02, 0.25
    loss = p / (p + r)
    # Variance of a mean of the chain: independent variance times (1 + rho) / (1 - rho), rho = 1 - p - r.
    se = np.sqrt(loss * (1 - loss) / n * (2 - p - r) / (p + r))
    assert abs(bad.mean() - loss) < 4 * se
    again = bad[1:][bad[:-1]].mean()
    assert again == pytest.approx(1 - r, abs=4 * np.sqrt(r * (1 - r) / bad.sum()))


def test_the_same_seed_draws_the_same_packets_and_another_seed_does_not() -> None:
    runs = [_packets(alder_house(noise=1.0), seed)[1] for seed in (5, 5, 6)]
    for one, two, other in zip(*runs, strict=True):
        assert np.array_equal(one.rtt_s, two.rtt_s, equal_nan=True)
        assert np.array_equal(one.fate, two.fate)
        assert not np.array_equal(one.rtt_s, other.rtt_s, equal_nan=True)


def test_drawing_a_run_twice_gives_the_same_packets() -> None:
    run = prepare(alder_house(noise=1.0, seconds=4000), 9)
    first, again = (list(chain.from_iterable(run.chunks())) for _ in range(2))
    assert all(np.array_equal(a.rtt_s, b.rtt_s, equal_nan=True) for a, b in zip(first, again, strict=True))


def test_a_full_uplink_delays_what_crosses_the_access_line_upward_by_its_queue() -> None:
    natures = {"modem/provider-edge": LinkNature(delay_s=0.001, queue_s=0.2)}
    quirk = Quirk(at_s=100, for_s=200, kind=QuirkKind.TRAFFIC_UP, element="own-traffic", size=1.0)
    run, packets = _packets(alder_house(natures=natures, quirks=(quirk,)))
    rtt = _rtt(run, packets, "study>provider-edge:echo")
    assert 0.1 <= np.nanmedian(rtt[105:295]) <= 0.2
    assert np.nanmax(_rtt(run, packets, "study>router:echo")) < 0.001


def test_clocks_that_disagree_show_one_way_and_cancel_in_the_round_trip() -> None:
    step = Quirk(at_s=300, for_s=1, kind=QuirkKind.CLOCK_STEP, element="host:desk", size=2.5)
    run, packets = _packets(alder_house(quirks=(step,)))
    part, row = _row(run, packets, "desk>study:stamp")
    early, late = part.out_s[row][:250], part.out_s[row][350:]
    assert np.nanmedian(early) - np.nanmedian(late) == pytest.approx(-2.5, abs=1e-3)
    assert part.rtt_s[row][:250] == pytest.approx(0.006, abs=1e-6)
    assert (part.fate[row] == Fate.CLOCK_STEP).any()
