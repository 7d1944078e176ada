"""Which elements compete in a stretch: what adds to the others does, near-copies of one fault do not."""

import numpy as np

from whichhop.compare.inference.candidates import MORE, _adding, coming_and_going
from whichhop.compare.inference.transients import none_log, passing_log, quiet_log

FAULT, COPIES, OTHER, POOR = 0, range(1, MORE + 3), MORE + 3, MORE + 4
ONSET = np.full(MORE + 5, 1e-3)


class Tables:
    """Log-ratios a tick by hand: one loud fault, its copies, a second fault of its own, a poor leader."""

    single = np.array([[20.0, *[15.0] * len(COPIES), 8.0, 0.1]] * 12)

    def work_out(self, wanted):
        assert all(len(w) == 3 for w in wanted)

    def beside_minor(self, a, b):
        return self.ratio(a, b) + 3.0

    def ratio(self, a, b):
        gains = self.single[:, [a, b]]
        # A copy meets the same packets as the fault: the two together explain what the better one does.
        alike = {a, b} <= {FAULT, *COPIES}
        return gains.max(axis=1) if alike else gains.sum(axis=1)


def test_a_second_fault_competes_though_many_near_copies_of_the_first_fit_better_than_it():
    assert OTHER in _adding(Tables(), [FAULT, POOR], [*COPIES, OTHER], ONSET)


def test_copies_of_what_leads_add_nothing():
    assert _adding(Tables(), [FAULT, POOR], list(COPIES), ONSET) == []
    assert _adding(Tables(), [], list(COPIES), ONSET) == []


class Brief(Tables):
    """The second is there for three ticks only."""

    single = Tables.single * np.where(np.arange(MORE + 5) == OTHER, (np.arange(12) < 3)[:, None], 1)


def test_what_a_minor_excess_of_another_explains_is_no_second_fault():
    assert _adding(Brief(), [FAULT, POOR], [OTHER], ONSET) == [OTHER]
    # A small excess fits these ticks better than a fault's least does: such come and go on any radio.
    assert _adding(Brief(), [FAULT, POOR], [OTHER], ONSET, small=[(FAULT, OTHER)]) == []


class Lossy:
    """What shows in each fourth tick: a link, the hop behind it with a bad moment of its own, a bystander."""

    single = np.tile(np.array([[4.0, 3.8, -5.0], *[[-4.0, -4.2, -5.0]] * 3]), (30, 1))
    single[60, 1] += 3.0
    loss = single
    minor = np.full(single.shape, -60.0)
    usual_slow = np.full(single.shape, -60.0)


def test_a_near_copy_that_leads_by_one_bad_moment_does_not_compete_alone_for_what_comes_and_goes():
    onset, few = np.full(3, 1e-3), np.zeros(3, dtype=bool)
    rate = np.full(3, 0.004)
    none = none_log(few, rate)
    quiet = quiet_log(passing_log(Lossy.single, Lossy.minor, rate, Lossy.usual_slow), none)
    assert sorted(coming_and_going(Lossy(), onset, quiet, none)) == [0, 1]
