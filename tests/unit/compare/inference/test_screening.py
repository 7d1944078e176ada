import numpy as np

from whichhop.compare.inference.screening import LONGEST, rolling, stretches, supported

ONSET = np.array([3.5e-4, 1e-5])


def calm(ticks):
    return np.full((ticks, 2), -5.0, dtype=np.float32), np.zeros(ticks)


def test_rolling_sums_are_numpys_convolution():
    values = np.arange(12.0)[:, None] ** 2
    wanted = np.convolve(values[:, 0], np.ones(4))[:12]
    np.testing.assert_allclose(rolling(values, 4)[:, 0], wanted)


def test_a_calm_month_has_nothing_to_look_at():
    assert stretches(*calm(1000), ONSET) == []


def test_a_blip_that_the_quiet_explains_is_passed_over():
    ratios, quiet = calm(1000)
    ratios[500, 0] = 20.0
    quiet[500] = 20.0 + np.log(0.008)
    assert stretches(ratios, quiet, ONSET) == []


def test_trouble_of_some_ticks_is_looked_at_with_what_lies_around_it():
    ratios, quiet = calm(1000)
    ratios[500:504, 0] = 20.0
    quiet[500:504] = 20.0 + np.log(0.008)
    (found,) = stretches(ratios, quiet, ONSET, offset=100)
    assert found.first < 600
    assert found.end > 604


def test_a_faint_but_lasting_excess_is_found():
    ratios, quiet = calm(1000)
    ratios[500:560, 1] = 0.5
    assert stretches(ratios, quiet, ONSET)


def test_a_very_long_stretch_is_cut():
    ratios, quiet = calm(3 * LONGEST)
    ratios[:, 0] = 3.0
    found = stretches(ratios, quiet, ONSET)
    assert all(s.end - s.first <= LONGEST for s in found)
    assert found[0].first == 0
    assert found[-1].end == 3 * LONGEST


def test_a_faint_fault_is_not_crowded_out_by_a_loud_one_at_another_time():
    ratios = np.full((300, 12), -5.0, dtype=np.float32)
    ratios[50:60, :11] = np.linspace(300, 100, 11)
    ratios[200:210, 11] = 8.0
    leaders, rest = supported(ratios, np.full(12, 1e-4))
    assert leaders == [11, 0] or leaders == [0, 11]
    assert set(rest) == set(range(1, 11))
