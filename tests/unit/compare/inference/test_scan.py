import numpy as np

from support.homes import alder
from support.windows import disturb, quiet
from whichhop.compare.case import prepare
from whichhop.compare.inference.evidence import columns_of
from whichhop.compare.inference.rated_ticks import next_block, scan
from whichhop.compare.inference.settings import Settings
from whichhop.model import derive_sessions

HOME = alder()
SESSIONS = derive_sessions(HOME)


def scanned(table):
    case = prepare(HOME, SESSIONS, table, (), Settings())
    columns = columns_of(case.elements, len(case.sessions))
    return case, scan(case.table, case.sessions, case.reporting, columns, case.settings)


def test_baselines_are_taken_often_at_first_and_every_three_hours_in_the_end():
    assert [next_block(at, 10.0) for at in (3, 4, 5, 8)] == [4, 5, 6, 10]
    assert next_block(20_000, 10.0) == 20_000 + 1080
    _, done = scanned(quiet(HOME, 40))
    assert done.blocks[:4] == (3, 4, 5, 6)


def test_a_quiet_home_speaks_against_every_element():
    _, done = scanned(quiet(HOME, 200))
    assert np.median(done.ratios[20:]) < -1
    assert done.quiet[20:].max() < 0.5


def test_the_guilty_element_leads_in_the_ticks_of_its_fault():
    case, done = scanned(disturb(quiet(HOME, 200), HOME, "attic/router", slice(100, 110), delay_s=0.06))
    names = [case.elements[j].name for j in done.ratios[100:110].argmax(axis=1)]
    assert names == ["attic/router"] * 10
    assert (done.ratios[:100].max(axis=1) < 5).all()


def test_a_stretch_over_several_blocks_has_the_evidence_of_each():
    _, done = scanned(quiet(HOME, 40))
    whole = done.evidence(5, 35)
    parts = [done.evidence(t, t + 1) for t in range(5, 35)]
    np.testing.assert_allclose(whole.delay, np.concatenate([p.delay for p in parts], axis=1), atol=1e-6)


def test_sessions_with_too_little_past_say_nothing():
    _, done = scanned(quiet(HOME, 10))
    assert not done.ratios[:3].any()
