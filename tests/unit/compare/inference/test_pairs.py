import functools

import numpy as np
import pytest

from support.homes import alder
from whichhop.compare.inference.evidence import REFUSES_ONE, SHAPES, columns_of
from whichhop.compare.inference.likelihood import DELAYS_S, LOSSES, TAILS, Evidence
from whichhop.compare.inference.pairs import Pairs, below, distinct_pairs, log_sum
from whichhop.compare.suspects.elements import Nature, elements_of
from whichhop.model import derive_sessions

HOME = alder()
SESSIONS = derive_sessions(HOME)
ELEMENTS = elements_of(HOME, SESSIONS)
NAMES = [e.name for e in ELEMENTS]
COLUMNS = columns_of(ELEMENTS, len(SESSIONS))


def drawn(seed=1, ticks=2):
    rng = np.random.default_rng(seed)
    return Evidence(
        delay=rng.normal(0, 1, (len(DELAYS_S), ticks, len(SESSIONS))).astype(np.float32),
        loss=rng.normal(0, 1, (len(LOSSES), ticks, len(SESSIONS))).astype(np.float32),
        tail=np.zeros((len(TAILS), ticks, len(SESSIONS)), dtype=np.float32),
        late=np.zeros((ticks, len(SESSIONS)), dtype=np.float32),
        alone=np.zeros((ticks, len(SESSIONS)), dtype=bool),
    )


def brute(evidence, a, b, tick):
    """The definition, with numpy.interp: delays add, survivals multiply, each cause has its own shape."""
    in_a, in_b = ELEMENTS[a].column, ELEMENTS[b].column

    def lost_in_the_other(x, y):
        """An excess under a third of one that all its sessions meet too is a part of how that one varies."""
        return (in_a <= in_b and x < np.float32(0.3) * y) or (in_b <= in_a and y < np.float32(0.3) * x)

    def mean(table, grid, rows_a, rows_b, combine):
        total = 0.0
        for x in rows_a:
            for y in rows_b:
                if grid is DELAYS_S and x and y and lost_in_the_other(x, y):
                    continue
                value = 0.0
                for s in in_a | in_b:
                    # Once for each time that the session meets an element.
                    met = [x] * ((s in in_a) + (s in ELEMENTS[a].twice))
                    met += [y] * ((s in in_b) + (s in ELEMENTS[b].twice))
                    at = [m for m in met if m is not None]
                    if at:
                        value += np.interp(functools.reduce(combine, at), grid, table[:, tick, s])
                total += np.exp(value)
        return total

    def part(which, use_a, use_b):
        table, grid = ((evidence.delay, DELAYS_S), (evidence.loss, LOSSES))[which]
        allowed = (COLUMNS.delays, COLUMNS.losses)[which]
        rows_a = grid[allowed[:, a]] if use_a else [None]
        rows_b = grid[allowed[:, b]] if use_b else [None]

        def combine(x, y):
            return x + y if which == 0 else 1 - (1 - x) * (1 - y)

        divisor = len(grid) ** (use_a + use_b)
        out = mean(table, grid, rows_a, rows_b, combine) / divisor
        alone = [e for e, use in ((a, use_a), (b, use_b)) if use]
        if which == 1 and len(alone) == 1 and ELEMENTS[alone[0]].nature is Nature.REPLY:
            # A box that loses by itself may turn away one asker only, any of them.
            askers = sorted(ELEMENTS[alone[0]].column)
            each = [np.exp(table[allowed[:, alone[0]], tick, s]).sum() / len(grid) for s in askers]
            out = (1 - REFUSES_ONE) * out + REFUSES_ONE * np.mean(each)
        return out

    out = 0.0
    for da, la, wa in SHAPES:
        for db, lb, wb in SHAPES:
            out += wa * wb * part(0, da, db) * part(1, la, lb)
    return np.log(out)


@pytest.mark.parametrize(
    ("one", "two"),
    [
        ("desk/attic", "modem/provider-edge"),
        ("study/router", "beyond"),
        ("attic/router", "reply:router"),
        # Desk's way out meets the attic's air on both of its radio hops.
        ("air:attic", "desk/attic"),
        ("air:attic", "modem/provider-edge"),
    ],
)
def test_a_pair_is_the_sum_over_both_excesses_by_its_definition(one, two):
    evidence = drawn()
    a, b = NAMES.index(one), NAMES.index(two)
    for tick in range(2):
        # One by one: of a first tick nothing has told the sizes.
        found = Pairs(evidence.cut(tick, tick + 1), COLUMNS).ratio(a, b)
        assert found[0] == pytest.approx(brute(evidence, a, b, tick), abs=2e-3)


def late(added_ms, ticks=12):
    """Evidence of sessions late by what the elements they cross add, each to within three tenths."""
    told = drawn(ticks=ticks)
    told.delay[:], told.loss[:] = 0.0, -1.0
    for s in range(len(SESSIONS)):
        total = sum(ms / 1e3 for n, ms in added_ms.items() if s in ELEMENTS[NAMES.index(n)].column)
        off = (DELAYS_S - total) / (0.3 * max(total, DELAYS_S[0]))
        told.delay[:, :, s] = np.maximum(-0.5 * off**2 + (4.0 if total else 0.0), -6.0)[:, None]
    return told


def test_a_lesser_fault_inside_a_greater_one_gains_tick_by_tick_and_nothing_where_it_is_not():
    a, b = NAMES.index("study/router"), NAMES.index("beyond")
    both = Pairs(late({"study/router": 90, "beyond": 90}), COLUMNS)
    gain = both.ratio(a, b) - np.maximum(both.single[:, a], both.single[:, b])
    one = Pairs(late({"study/router": 90}), COLUMNS)
    none = one.ratio(a, b) - np.maximum(one.single[:, a], one.single[:, b])
    assert gain[-1] > gain[0] + 1.0
    assert (none < 0.0).all()


@pytest.mark.parametrize("ms", [120, 230])
def test_a_lesser_fault_does_not_mend_the_steps_of_the_grid(ms):
    """230 ms lies between 160 and 300: 160 and 50 more at the first hop's own answers would fit better."""
    a, b = NAMES.index("modem/provider-edge"), NAMES.index("reply:provider-edge")
    one = Pairs(late({"modem/provider-edge": ms}), COLUMNS)
    assert (one.ratio(a, b) - one.single[:, a] < -1.5).all()
    both = Pairs(late({"modem/provider-edge": 90, "reply:provider-edge": 90}), COLUMNS)
    assert both.ratio(a, b)[-1] > both.single[:, [a, b]].max(axis=1)[-1]


def test_elements_that_share_no_session_add_up():
    tables = Pairs(drawn(), COLUMNS)
    a, b = NAMES.index("reply:router"), NAMES.index("reply:provider-edge")
    np.testing.assert_allclose(tables.ratio(a, b), tables.single[:, a] + tables.single[:, b], rtol=1e-5)


def test_the_order_of_a_pair_does_not_matter():
    tables = Pairs(drawn(), COLUMNS)
    a, b = NAMES.index("desk/attic"), NAMES.index("beyond")
    assert tables.ratio(a, b) is tables.ratio(b, a)


def test_a_cable_has_no_minor_excess():
    a, b = NAMES.index("desk/attic"), NAMES.index("study/router")
    assert COLUMNS.minor[a]
    assert not COLUMNS.minor[b]


def test_below_is_what_lies_under_the_least_allowed():
    allowed = np.array([[False, True], [False, True], [True, True], [False, True]])
    assert below(allowed).T.tolist() == [[True, True, False, False], [False] * 4]


def test_an_empty_sum_is_the_lowest():
    assert log_sum(np.empty((0, 3), dtype=np.float32), 9).tolist() == [-60.0] * 3


def test_equal_columns_are_no_pair_unless_told_apart():
    columns = [frozenset({1}), frozenset({1}), frozenset({2})]
    assert distinct_pairs(columns, [0, 1, 2]) == [(0, 2), (1, 2)]
    assert distinct_pairs(columns, [0, 1, 2], apart=[1]) == [(0, 1), (0, 2), (1, 2)]
