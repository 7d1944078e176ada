import numpy as np
import pytest

from support.homes import alder
from support.windows import quiet
from whichhop.compare.inference.past import Past, prior_scales
from whichhop.compare.inference.settings import Settings
from whichhop.model import derive_sessions

HOME = alder()
SESSIONS = derive_sessions(HOME)


def past(table):
    return Past(
        table=table,
        speaks=np.ones(table.sent.shape, dtype=bool),
        suspect=np.zeros(table.sent.shape, dtype=bool),
        prior=prior_scales(SESSIONS),
        settings=Settings(),
    )


def test_a_radio_session_is_believed_to_spread_more_than_a_wired_one():
    scale = dict(zip([str(s.key) for s in SESSIONS], prior_scales(SESSIONS), strict=True))
    assert scale["desk>router:echo"] > 2 * scale["study>router:echo"]


def test_the_baseline_is_of_the_past_only():
    table = quiet(HOME, 200)
    table.q50_s[100:] += 0.1
    early = past(table).baseline(100)
    np.testing.assert_allclose(early.loc50, np.median(table.q50_s[:100], axis=0), rtol=0.02)


def test_suspect_ticks_stay_out():
    table = quiet(HOME, 200)
    table.q50_s[20:180] += 0.1
    seen = past(table)
    seen.suspect[20:180] = True
    wanted = np.median(np.concatenate([table.q50_s[:20], table.q50_s[180:]]), axis=0)
    np.testing.assert_allclose(seen.baseline(200).loc50, wanted, rtol=0.02)


@pytest.mark.parametrize(("hours", "adopted_s"), [(9, 0.0), (16, 0.03)])
def test_what_stays_changed_for_most_of_a_day_becomes_what_is_ordinary_and_no_state_of_hours_does(
    hours, adopted_s
):
    end = 600 + hours * 360
    table = quiet(HOME, end)
    table.q50_s[600:] += 0.03
    seen = past(table)
    seen.suspect[600:] = True
    before, after = seen.baseline(600).loc50, seen.baseline(end).loc50
    assert after - before == pytest.approx(adopted_s, abs=0.002)


def loss_after(lost_share, hours):
    """What a session of twenty packets a tick is said to lose, each tick having lost such a share."""
    table = quiet(HOME, hours * 360)
    rng = np.random.default_rng(11)
    table.sent[:] = 20
    table.lost[:] = rng.binomial(20, lost_share, table.sent.T.shape).T
    return float(np.median(past(table).baseline(hours * 360).loss))


@pytest.mark.parametrize("hours", [4, 24])
def test_an_evening_of_light_loss_does_not_become_usual(hours):
    # Of a day each sixth tick is read. A hundred packets of a stretch hardly tell 6 % from none: half of the
    # evening was taken for usual, and the same fault on the next one was never told.
    share = np.zeros(hours * 360)
    share[-900:-360] = 0.06
    assert loss_after(share, hours) < 0.0002


@pytest.mark.parametrize("hours", [4, 24])
def test_what_is_always_lost_is_usual(hours):
    assert loss_after(np.full(hours * 360, 0.02), hours) == pytest.approx(0.02, rel=0.3)
