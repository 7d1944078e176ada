"""A session's samples by the hour, against numpy over the same samples."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.change.hours import HOUR_NS, HourFigures, HourTable, hour_table
from whichhop.model import ABSENT, Fate, Method, SessionKey

DESK = SessionKey(agent="desk", target="router", method=Method.STAMP)
CALL = SessionKey(agent="desk", target="harbour", method=Method.CALL)
SAMPLES = st.lists(
    st.tuples(st.integers(0, 4 * 3600), st.sampled_from(Fate), st.integers(1_000, 3 * 10**9)), max_size=80
)


@given(SAMPLES)
def test_each_hour_holds_its_own_samples_and_no_other(rows: list[tuple[int, Fate, int]]) -> None:
    rows.sort(key=lambda r: r[0])
    sent = np.array([s * 10**9 for s, _, _ in rows], dtype=np.int64)
    fate = np.array([f for _, f, _ in rows], dtype=np.uint8)
    rtt = np.array([r if f <= Fate.LATE else ABSENT for _, f, r in rows], dtype=np.int64)
    hours = hour_table(DESK, sent_ns=sent, fate=fate, rtt_ns=rtt).hours
    asked = [(s // 3600, f, r) for s, f, r in rows if not f.set_aside]
    assert set(hours) == {h for h, _, _ in asked}
    for hour, found in hours.items():
        mine = [(f, r) for h, f, r in asked if h == hour]
        seconds = [r * 1e-9 for f, r in mine if f is Fate.ANSWERED]
        assert found.sent == len(mine)
        assert found.lost == sum(f.lost for f, _ in mine)
        if seconds:
            assert found.p50_s == pytest.approx(np.median(seconds))
            assert found.p95_s == pytest.approx(np.percentile(seconds, 95))
            assert found.pdv_s == pytest.approx(np.percentile(seconds, 95) - min(seconds))
        else:
            assert found.p50_s is None


def test_a_call_stream_is_rated_stretch_by_stretch() -> None:
    # Three stretches of ten seconds; the middle one loses every fifth packet. The median is a clean call's.
    starts = [0, 300, 600]
    sent = np.concatenate([np.arange(500) * 20_000_000 + s * 10**9 for s in starts]).astype(np.int64)
    fate = np.zeros(1500, dtype=np.uint8)
    fate[500:1000:5] = Fate.LOST
    rtt = np.where(fate == 0, 20_000_000, ABSENT).astype(np.int64)
    found = hour_table(CALL, sent_ns=sent, fate=fate, rtt_ns=rtt).hours[0]
    assert found.rating is not None
    assert found.rating > 85
    alone = hour_table(CALL, sent_ns=sent[500:1000], fate=fate[500:1000], rtt_ns=rtt[500:1000]).hours[0]
    assert alone.rating is not None
    assert alone.rating < found.rating - 20


def test_an_hour_of_which_much_is_missing_does_not_count() -> None:
    hours = {n: HourFigures(sent=3600, lost=0) for n in range(5)} | {5: HourFigures(sent=1700, lost=0)}
    assert set(HourTable(session=DESK, hours=hours).whole().hours) == {0, 1, 2, 3, 4}
    assert HOUR_NS == 3600 * 10**9
