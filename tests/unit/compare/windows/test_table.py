import numpy as np
import pytest

from support.homes import alder
from support.windows import START_NS, quiet
from whichhop.compare.windows.table import TICK_NS, empty_table
from whichhop.model import Method, SessionKey

KEYS = [SessionKey(agent="desk", target=t, method=Method.ECHO) for t in ("router", "attic")]


def test_columns_are_picked_by_key_in_the_order_asked():
    table = empty_table(KEYS, START_NS, 2)
    table.sent[:] = [[1, 2], [3, 4]]
    picked = table.picked([KEYS[1], KEYS[0]])
    assert picked.sent.tolist() == [[2, 1], [4, 3]]
    assert picked.sessions == (KEYS[1], KEYS[0])


def test_a_session_that_is_not_there_is_refused():
    with pytest.raises(KeyError):
        empty_table(KEYS[:1], START_NS, 1).picked([KEYS[1]])


def test_a_span_keeps_its_time():
    cut = quiet(alder(), 10).span(4, 7)
    assert cut.ticks == 3
    assert cut.start_ns == START_NS + 4 * TICK_NS


def test_coarser_slices_add_counts_and_take_the_median_of_quantiles():
    table = empty_table(KEYS[:1], START_NS, 7)
    table.sent[:, 0] = [10, 10, 10, 10, 10, 10, 9]
    table.lost[:, 0] = [0, 1, 0, 0, 0, 0, 2]
    table.q50_s[:, 0] = [0.3, 0.1, 0.2, np.nan, 0.5, 0.4, 0.7]
    coarse = table.coarser(6)
    assert coarse.step_ns == 6 * TICK_NS
    assert coarse.sent[:, 0].tolist() == [60, 9]
    assert coarse.lost[:, 0].tolist() == [1, 2]
    # Median of 0.1 0.2 0.3 0.4 0.5, by numpy's own nanmedian.
    assert coarse.q50_s[0, 0] == pytest.approx(np.nanmedian([0.3, 0.1, 0.2, np.nan, 0.5, 0.4]))
    assert coarse.q50_s[1, 0] == pytest.approx(0.7)
    assert np.isnan(coarse.q80_s).all()


def test_a_factor_under_one_is_refused():
    with pytest.raises(ValueError, match="factor is 0"):
        empty_table(KEYS, START_NS, 1).coarser(0)
