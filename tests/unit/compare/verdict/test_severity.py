import numpy as np
import pytest

from support.homes import alder
from support.windows import quiet
from whichhop.compare.verdict.verdict import severity


def test_the_severity_counts_what_spoke_only():
    table = quiet(alder(), 4)
    speaks = np.ones(table.sent.shape, dtype=bool)
    speaks[0] = False
    table.lost[:, 0] = 2
    base = table.q50_s.mean(axis=0) - 0.040
    found = severity(table, speaks, [0], loc50=base, loc80=base)
    assert (found.sent, found.lost) == (30, 6)
    assert found.loss_ratio == pytest.approx(0.2)
    assert found.added_p50_s == pytest.approx(0.040, abs=0.002)
