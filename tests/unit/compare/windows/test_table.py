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
