"""Own traffic: the wait before the line against the textbook, and the shares against their bounds."""

import numpy as np
import pytest

from paper_home.traffic import add_transfers, ordinary_share, queue_delay_s
from whichhop.lab.scenario import Quirk, QuirkKind


def test_the_wait_below_full_load_is_that_of_fixed_service() -> None:
    # M/D/1 (Pollaczek-Khinchine with no variance of service): mean wait = service rho / (2 (1 - rho)).
    # 12,000 bits at 40 Mbit/s serve in 0.3 ms; at half load they wait 0.15 ms, at 80 % 0.6 ms.
    delay, drop = queue_delay_s(np.array([0.0, 0.5, 0.8], np.float32), 40e6, 0.2, np.random.default_rng(1))
    assert delay == pytest.approx([0.0, 0.15e-3, 0.6e-3], rel=1e-4)
    assert (drop == 0).all()


def test_a_full_line_stands_between_half_and_all_of_its_queue() -> None:
    delay, drop = queue_delay_s(np.full(1000, 1.0, np.float32), 40e6, 0.2, np.random.default_rng(1))
    assert delay.min() >= 0.1
    assert delay.max() <= 0.2
    assert 0 < drop.mean() < 0.015


def test_ordinary_use_stays_well_under_the_plan_on_average() -> None:
    up, down = ordinary_share(86_400, np.random.default_rng(4))
    assert up.mean() < 0.05
    assert 0.01 < down.mean() < 0.25
    assert max(up.max(), down.max()) <= 0.8 + 1e-6


def test_a_transfer_lies_where_it_is_scripted_and_nowhere_else() -> None:
    up, down = np.zeros(100, np.float32), np.zeros(100, np.float32)
    quirk = Quirk(at_s=20, for_s=30, kind=QuirkKind.TRAFFIC_UP, element="own-traffic", size=0.6)
    add_transfers(up, down, (quirk,), np.random.default_rng(1))
    assert up[20:50] == pytest.approx(0.6, abs=0.08)
    assert up[:20].sum() == up[50:].sum() == 0
    assert down[20:50] == pytest.approx(0.6 / 40)
