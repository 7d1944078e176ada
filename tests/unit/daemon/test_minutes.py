"""Samples become one record a session and minute, closed only when the last answer has had its time."""

from hypothesis import given
from hypothesis import strategies as st

from whichhop.daemon.assembly import DRAFT_BEHIND_S, DRAFT_S
from whichhop.daemon.minutes import SETTLE_NS, MinuteBook
from whichhop.model import Fate, Method, Sample, SessionKey
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S, UtcNs
from whichhop.probes.base import SessionFacts

A = SessionKey(agent="desk", target="attic", method=Method.STAMP)
B = SessionKey(agent="desk", target="router", method=Method.ECHO)


def sample(at_s: float) -> Sample:
    return Sample(sent_ns=round(at_s * NS_PER_S), fate=Fate.ANSWERED, rtt_ns=5_000_000)


def facts(key: SessionKey) -> SessionFacts:
    return SessionFacts(duplicates=2 if key == A else 0, stamps="T1 T4")


def test_a_minute_waits_for_its_last_answers() -> None:
    book = MinuteBook(facts=facts)
    book.add(A, sample(59.9))
    book.add(A, sample(60.1))
    assert list(book.close_settled(UtcNs(NS_PER_MINUTE + SETTLE_NS - 1))) == []
    (record,) = book.close_settled(UtcNs(NS_PER_MINUTE + SETTLE_NS))
    assert (record.session, record.minute, len(record.samples)) == (A, 0, 1)
    assert (record.duplicates, record.stamps) == (2, "T1 T4")


def test_a_clean_stop_closes_every_open_minute() -> None:
    book = MinuteBook(facts=facts)
    book.add(B, sample(61))
    book.add(A, sample(59))
    assert [(r.session, r.minute) for r in book.close_all()] == [(A, 0), (B, 1)]
    assert list(book.close_all()) == []


def test_an_open_minute_says_whose_stamps_the_one_before_had() -> None:
    book = MinuteBook(facts=facts)
    book.add(A, sample(30))
    assert [r.stamps for r in book.open_records()] == [""]
    list(book.close_all())
    book.add(A, sample(61))
    book.add(B, sample(61))
    assert [(r.session, r.stamps, r.duplicates) for r in book.open_records()] == [(A, "T1 T4", 0), (B, "", 0)]


def test_a_kill_at_any_second_costs_38_seconds_at_most() -> None:
    book, on_disk = MinuteBook(facts=facts), 0
    for at_s in range(600):  # a packet sent in each second; fates are known a beat after its answer
        now = UtcNs(at_s * NS_PER_S)
        for record in book.close_settled(now):
            on_disk = max(on_disk, record.samples.sent_ns[-1])
        if at_s % DRAFT_S == DRAFT_BEHIND_S:
            on_disk = max(on_disk, *(r.samples.sent_ns[-1] for r in book.draft(now)))
        if at_s >= 60:
            assert now - on_disk <= 38 * NS_PER_S, f"killed at second {at_s}"
        book.add(A, sample(at_s))


@given(st.lists(st.tuples(st.sampled_from([A, B]), st.floats(0, 600)), max_size=60))
def test_every_sample_lands_in_exactly_one_record_in_the_order_sent(
    arrivals: list[tuple[SessionKey, float]],
) -> None:
    book = MinuteBook(facts=facts)
    for key, at_s in arrivals:
        book.add(key, sample(at_s))
    records = [*book.close_settled(UtcNs(300 * NS_PER_S)), *book.close_all()]
    assert sum(len(r.samples) for r in records) == len(arrivals)
    for record in records:
        sent = list(record.samples.sent_ns)
        assert sent == sorted(sent)
        assert all(at // NS_PER_MINUTE == record.minute for at in sent)


def test_a_draft_holds_what_is_sure_and_ends_where_waiting_goes_on() -> None:
    book = MinuteBook(facts=facts)
    for at_s in (58, 59.5, 61, 70, 75.9, 76.1, 80):
        book.add(A, sample(at_s))
    book.add(B, sample(83.9))
    now = UtcNs(84 * NS_PER_S)
    assert SETTLE_NS == 8 * NS_PER_S
    draft = [(r.session, r.minute, len(r.samples)) for r in book.draft(now)]
    assert draft == [(A, 0, 2), (A, 1, 3)]
    # What is written for good later begins with the same packet, by which the store knows it again.
    final = {r.minute: r for r in book.close_all() if r.session == A}
    assert [r.samples.sent_ns[0] for r in (final[0], final[1])] == [58 * NS_PER_S, 61 * NS_PER_S]
