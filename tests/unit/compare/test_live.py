import pytest

from support.homes import alder
from support.windows import START_NS, disturb, quiet
from whichhop.compare.day_book import ChangeKind, DayBook, changes
from whichhop.compare.history import judge
from whichhop.compare.inference.settings import Settings
from whichhop.compare.live import Follower
from whichhop.compare.windows.table import TICK_NS
from whichhop.model import derive_sessions

HOME = alder("{kind: modem}", "{kind: modem, address: 192.0.2.254}")
SESSIONS = derive_sessions(HOME)


def follow(table, *, by=1, settings=Settings()):  # noqa: B008
    follower = Follower(HOME, SESSIONS, settings, start_ns=table.start_ns)
    seen = []
    for first in range(0, table.ticks, by):
        seen.append(follower.feed(table.span(first, min(first + by, table.ticks))))
    return follower, seen


def test_live_use_comes_to_the_verdict_that_history_gives():
    table = disturb(quiet(HOME, 40), HOME, "attic/router", slice(15, 30), delay_s=0.050)
    _, seen = follow(table)
    (live,) = seen[-1]
    (past,) = judge(HOME, SESSIONS, table, (), Settings())
    assert (live.cause, live.elements) == (past.cause, past.elements)
    assert (live.start_ns, live.end_ns) == (past.start_ns, past.end_ns)
    assert live.probability == pytest.approx(past.probability)


def test_a_fault_of_hours_is_one_until_it_heals_in_live_use_and_in_history():
    table = disturb(quiet(HOME, 1500), HOME, "attic/router", slice(100, 1300), delay_s=0.030)
    _, seen = follow(table, by=60)
    told = [[(v.elements, v.start_ns, v.end_ns) for v in verdicts] for verdicts in seen]
    start_ns = table.at_ns(100)
    assert told[3:21] == [[(("attic/router",), start_ns, None)]] * 18
    assert told[-1] == [(("attic/router",), start_ns, table.at_ns(1300))]
    (past,) = judge(HOME, SESSIONS, table, (), Settings())
    assert (past.start_ns, past.end_ns) == (start_ns, table.at_ns(1300))


def test_a_day_that_is_taken_in_at_once_is_all_told_as_history_tells_it():
    table = disturb(quiet(HOME, 3300), HOME, "study/router", slice(100, 130), delay_s=0.030)
    disturb(table, HOME, "attic/router", slice(400, 3300), delay_s=0.030)
    follower, (told,) = follow(table, by=table.ticks)
    past = judge(HOME, SESSIONS, table, (), Settings())
    assert [(v.elements, v.start_ns, v.end_ns) for v in past] == [
        (("study/router",), table.at_ns(100), table.at_ns(130)),
        (("attic/router",), table.at_ns(400), None),
    ]
    assert [(v.elements, v.start_ns, v.end_ns) for v in told] == [
        (v.elements, v.start_ns, v.end_ns) for v in past
    ]
    assert follower.standing().judged_ns == table.start_ns


def test_a_fault_is_named_within_a_minute_and_lasts_while_it_lasts():
    table = disturb(quiet(HOME, 40), HOME, "attic/router", slice(15, 30), delay_s=0.050)
    follower, seen = follow(table.span(0, 30))
    first = next(i for i, verdicts in enumerate(seen) if verdicts)
    assert 15 <= first <= 20
    assert all(v.end_ns is None for v in seen[-1])
    assert follower.findings()[0].elements == ("attic/router",)
    assert follower.findings()[0].probability > 0.95


def test_a_fault_whose_sessions_fall_silent_is_not_told_to_be_over_at_once():
    """An agent that starts again for a minute and a half once ended the fault of its own hop, which was told
    to be over beside "not measured now", and then to be back."""
    table = disturb(quiet(HOME, 60), HOME, "desk/attic", slice(15, 60), delay_s=0.050)
    silent = [i for i, s in enumerate(SESSIONS) if "desk/attic" in {k.name for k in s.path.links}]
    for name in ("sent", "lost"):
        getattr(table, name)[30:39, silent] = 0
    for name in ("q50_s", "q80_s"):
        getattr(table, name)[30:39, silent] = float("nan")
    _, seen = follow(table)
    named = [[(v.elements, v.start_ns, v.end_ns) for v in verdicts] for verdicts in seen[20:]]
    assert named == [[(("desk/attic",), table.at_ns(15), None)]] * 40


def test_what_is_not_heard_for_long_is_over_some_time():
    table = disturb(quiet(HOME, 80), HOME, "desk/attic", slice(15, 80), delay_s=0.050)
    silent = [i for i, s in enumerate(SESSIONS) if "desk/attic" in {k.name for k in s.path.links}]
    table.sent[30:, silent] = 0
    _, seen = follow(table)
    assert [v.end_ns for v in seen[-1]] == [table.at_ns(30)]


def test_a_quiet_home_is_calm():
    follower, seen = follow(quiet(HOME, 60))
    assert not any(seen)
    assert follower.findings() == []


def test_ticks_may_come_in_pieces_of_any_length():
    table = disturb(quiet(HOME, 40), HOME, "desk/attic", slice(15, 30), lost=5)
    one, many = follow(table)[1][-1], follow(table, by=7)[1][-1]
    assert [(v.cause, v.start_ns) for v in one] == [(v.cause, v.start_ns) for v in many]


def test_a_piece_that_does_not_follow_is_refused():
    follower = Follower(HOME, SESSIONS, start_ns=START_NS)
    with pytest.raises(ValueError, match="the piece begins at"):
        follower.feed(quiet(HOME, 3).span(1, 2))


def test_old_ticks_are_forgotten_and_the_baseline_stays():
    # A reach of 20 minutes: 120 ticks kept, and 1080 more before the first are dropped.
    table = disturb(quiet(HOME, 1300), HOME, "attic/router", slice(1250, 1270), delay_s=0.050)
    _, seen = follow(table, by=26, settings=Settings(baseline_s=1200.0))
    (verdict,) = seen[-1]
    assert verdict.elements == ("attic/router",)
    assert verdict.start_ns - START_NS == 1250 * TICK_NS
    (past,) = judge(HOME, SESSIONS, table, (), Settings(baseline_s=1200.0))
    assert (verdict.start_ns, verdict.end_ns) == (past.start_ns, past.end_ns)


def test_live_use_speaks_in_the_tick_that_history_says_it_would():
    table = disturb(quiet(HOME, 40), HOME, "attic/router", slice(15, 30), delay_s=0.050)
    _, seen = follow(table)
    first = next(i for i, verdicts in enumerate(seen) if verdicts)
    (past,) = judge(HOME, SESSIONS, table, (), Settings())
    assert past.detected_ns == table.at_ns(first + 1)
    assert 15 < first <= 17


@pytest.mark.parametrize(
    ("line", "upload"), [((20, 40), (22, 34)), ((20, 30), (32, 40)), ((20, 29), (30, 38))]
)
def test_a_fault_of_the_line_and_an_upload_are_told_once_each_while_they_happen(line, upload):
    """Uncounted; the upload begins eighteen seconds after the fault, or so long after its end."""
    table = disturb(quiet(HOME, 48), HOME, "modem/provider-edge", slice(*line), delay_s=0.060, lost=1)
    table = disturb(table, HOME, "modem/provider-edge", slice(*upload), delay_s=0.400)
    follower, book, before, news = Follower(HOME, SESSIONS, start_ns=table.start_ns), DayBook(), [], []
    for tick in range(table.ticks):
        follower.feed(table.span(tick, tick + 1))
        state = follower.standing()
        told = book.take(state.verdicts, state.judged_ns, follower.end_ns)
        news += [(c.kind, (c.verdict.start_ns - START_NS) // TICK_NS) for c in changes(before, told)]
        before = told
    begins = [line[0], upload[0], *([upload[1]] if upload[1] < line[1] else [])]
    opened, ended = ChangeKind.OPENED, ChangeKind.ENDED
    assert [n for n in news if n[0] is not ChangeKind.CHANGED] == [
        (kind, begin) for begin in begins for kind in (opened, ended)
    ]
    past = judge(HOME, SESSIONS, table)
    assert [(v.start_ns, v.end_ns) for v in before] == [(v.start_ns, v.end_ns) for v in past]
    # The lull between the two is in neither, or its good packets would water the figures down.
    assert past[0].severity.loss_ratio == pytest.approx(0.1)
