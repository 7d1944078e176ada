import numpy as np
import pytest

from standing.homes import draw_home
from support.homes import alder
from whichhop.compare.inference.evidence import (
    LOWEST,
    columns_of,
    interpolation,
    log_mean,
    minor_evidence,
    mixed,
    part_evidence,
    part_sums,
)
from whichhop.compare.inference.likelihood import DELAYS_S, LOSSES, TAILS, Evidence
from whichhop.compare.suspects.elements import Nature, elements_of
from whichhop.model import Medium, derive_sessions

HOME = alder()
SESSIONS = derive_sessions(HOME)
ELEMENTS = elements_of(HOME, SESSIONS)
NAMES = [e.name for e in ELEMENTS]
COLUMNS = columns_of(ELEMENTS, len(SESSIONS))


def evidence(delay=0.0, loss=0.0, ticks=1):
    return Evidence(
        delay=np.full((len(DELAYS_S), ticks, len(SESSIONS)), delay, dtype=np.float32),
        loss=np.full((len(LOSSES), ticks, len(SESSIONS)), loss, dtype=np.float32),
        tail=np.zeros((len(TAILS), ticks, len(SESSIONS)), dtype=np.float32),
        late=np.zeros((ticks, len(SESSIONS)), dtype=np.float32),
        alone=np.zeros((ticks, len(SESSIONS)), dtype=bool),
    )


def test_the_log_mean_is_the_log_of_the_mean():
    rng = np.random.default_rng(1)
    values = rng.normal(size=(9, 4, 3)).astype(np.float32)
    found = log_mean(values, np.ones((9, 3), dtype=bool))
    np.testing.assert_allclose(found, np.log(np.exp(values).mean(axis=0)), rtol=1e-5, atol=1e-5)


def test_disallowed_values_count_as_impossible_and_stay_in_the_divisor():
    values = np.zeros((4, 1, 1), dtype=np.float32)
    allowed = np.array([[True], [False], [False], [False]])
    assert log_mean(values, allowed)[0, 0] == pytest.approx(np.log(1 / 4))
    assert log_mean(values, np.zeros((4, 1), dtype=bool))[0, 0] == LOWEST


def test_an_element_adds_up_the_sessions_that_cross_it():
    sums, _ = part_sums(evidence(delay=1.0), COLUMNS)
    for j, element in enumerate(ELEMENTS):
        assert sums[0, 0, j] == pytest.approx(len(element.column), rel=1e-4)


def test_who_crosses_the_air_twice_is_read_at_twice_the_delay():
    table = evidence()
    place = list(DELAYS_S).index(np.float32(0.010))
    table.delay[place] = 1.0  # excess of 10 ms and no other
    sums, _ = part_sums(table, COLUMNS)
    air = NAMES.index("air:attic")
    twice = ELEMENTS[air].twice
    once = ELEMENTS[air].column - twice
    assert twice
    # At 5 ms of the air, who crosses it twice has 10.
    assert sums[0, 0, air] == pytest.approx(len(twice), rel=1e-3)
    # At 10 ms, who crosses it twice would have 20, of which this table knows nothing.
    assert sums[place, 0, air] == pytest.approx(len(once), rel=1e-3)


def test_a_radio_hop_has_a_minor_excess_and_a_cable_none():
    assert COLUMNS.minor[NAMES.index("desk/attic")]
    assert not COLUMNS.minor[NAMES.index("study/router")]
    found = minor_evidence(part_sums(evidence(), COLUMNS), COLUMNS)
    assert found[0, NAMES.index("study/router")] == LOWEST
    assert found[0, NAMES.index("desk/attic")] > LOWEST


def test_over_a_line_by_radio_a_few_milliseconds_are_no_fault_of_anybody():
    # LTE sends again 8 ms later (3GPP TS 36.321), and how often depends on the cell and the hour.
    home = draw_home(np.random.default_rng(4), "desk", Medium.FIXED_WIRELESS)
    sessions = derive_sessions(home)
    elements = elements_of(home, sessions)
    columns = columns_of(elements, len(sessions))
    line = next(e for e in elements if e.nature is Nature.ACCESS)
    over = [j for j, e in enumerate(elements) if e.column <= line.column]
    assert {"own-traffic", line.name, "beyond"} <= {elements[j].name for j in over}
    least_s = DELAYS_S[columns.delays.argmax(axis=0)]
    whole = [j for j in over if elements[j].column == line.column]
    assert {"own-traffic", line.name} <= {elements[j].name for j in whole}
    # Nobody tells a sway of the line from a fault of it: 16 ms are a cell's to add (3GPP TS 36.213, 10.1.5).
    assert least_s[whole] == pytest.approx(0.028)
    # Who stays well beside it tells what lies past the line from the line's own sway.
    assert least_s[[j for j in over if j not in whole]] == pytest.approx(0.016)
    assert least_s[[e.name for e in elements].index("study/router")] == pytest.approx(0.005)


def test_the_mix_is_an_average_over_shapes():
    delay, loss = np.array([[1.0]], dtype=np.float32), np.array([[2.0]], dtype=np.float32)
    wanted = np.log(0.4 * np.exp(1) + 0.3 * np.exp(2) + 0.3 * np.exp(3))
    assert mixed(delay, loss)[0, 0] == pytest.approx(wanted, rel=1e-5)


def test_no_evidence_supports_no_element():
    delay, loss = part_evidence(part_sums(evidence(), COLUMNS), evidence(), COLUMNS)
    assert (delay <= 1e-6).all()
    assert (loss <= 1e-6).all()


def test_interpolation_is_numpys():
    grid = np.array([1.0, 2.0, 4.0, 8.0])
    values = np.array([0.5, 1.5, 3.0, 7.0, 9.0])
    table = np.array([0.0, 1.0, -1.0, 5.0])
    np.testing.assert_allclose(interpolation(grid, values) @ table, np.interp(values, grid, table))


def test_who_can_delay_less_is_no_less_likely_where_nobody_answers():
    """Of an outage each tick tells of loss alone; seen once: 40 of them put a line's outage on its cable."""
    told = evidence(loss=5.0)
    delay, loss = part_evidence(part_sums(told, COLUMNS), told, COLUMNS)
    assert not delay.any()
    nothing = evidence()
    assert (part_evidence(part_sums(nothing, COLUMNS), nothing, COLUMNS)[0] <= 0.0).all()
    assert (loss > 0).all()
