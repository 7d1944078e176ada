import numpy as np

from support.homes import alder
from support.windows import disturb, named, quiet
from whichhop.compare.bearing import borne, shown_by
from whichhop.compare.causes import columns_of
from whichhop.compare.engine import prepare
from whichhop.compare.episodes import Span
from whichhop.compare.scan import scan
from whichhop.compare.settings import Settings
from whichhop.model import derive_sessions

HOME = alder()
SESSIONS = derive_sessions(HOME)
SPAN = Span(first=30, end=50, detected=33)


def scanned(table):
    case = prepare(HOME, SESSIONS, table, (), Settings())
    columns = columns_of(case.elements, len(case.sessions))
    return case, scan(case.table, case.sessions, case.alibi, columns, case.settings)


def element(case, name):
    return next(e for e in case.elements if e.name == name)


def column(case, name):
    return sorted(element(case, name).column)


def test_a_box_that_limits_its_answers_may_single_out_one_asker():
    table = quiet(HOME, 60)
    place = named(SESSIONS, "study>provider-edge:echo")
    table.lost[30:50, place] = 10
    table.q50_s[30:50, place] = np.nan
    case, done = scanned(table)
    assert borne(done, element(case, "reply:provider-edge"), SPAN)
    assert not borne(done, element(case, "modem/provider-edge"), SPAN)


def test_what_all_sessions_show_is_borne():
    case, done = scanned(disturb(quiet(HOME, 60), HOME, "attic/router", slice(30, 50), delay_s=0.05))
    assert borne(done, element(case, "attic/router"), SPAN)


def test_what_one_session_shows_alone_is_not():
    table = quiet(HOME, 60)
    table.q80_s[30:50, named(SESSIONS, "desk>harbour:stamp")] += 0.12
    case, done = scanned(table)
    assert not borne(done, element(case, "destination:harbour"), SPAN)


def test_a_second_suspect_needs_sessions_of_its_own_that_show_it():
    case, done = scanned(disturb(quiet(HOME, 60), HOME, "attic/router", slice(30, 50), delay_s=0.05))
    only = sorted(set(column(case, "node:attic")) - set(column(case, "attic/router")))
    assert not shown_by(done, only, SPAN)
    assert shown_by(done, column(case, "attic/router")[:2], SPAN)
