"""The day's book of verdicts, and what counts as news between two looks."""

from whichhop.compare.day_book import DAY_NS, ChangeKind, DayBook, changes
from whichhop.model import Cause, Verdict

S = 1_000_000_000


def verdict(
    start: int, end: int | None, *elements: str, cause: Cause = Cause.BACKHAUL, probability: float = 0.97
) -> Verdict:
    return Verdict(
        cause=cause,
        elements=elements or ("attic/router",),
        probability=probability,
        start_ns=start * S,
        end_ns=None if end is None else end * S,
    )


def test_what_is_no_longer_looked_at_is_kept_for_a_day() -> None:
    book = DayBook()
    old, new = verdict(100, 200), verdict(9000, None)
    assert book.take([old], 0, 300 * S) == [old]
    assert book.take([new], 5000 * S, 9100 * S) == [old, new]
    assert book.take([], 200 * S + DAY_NS, 201 * S + DAY_NS) == []


def test_a_verdict_within_what_is_looked_at_anew_is_replaced_or_dropped() -> None:
    book = DayBook()
    book.take([verdict(100, None)], 0, 150 * S)
    longer = verdict(100, 400)
    assert book.take([longer], 0, 500 * S) == [longer]
    assert book.take([], 0, 510 * S) == []


def test_a_verdict_cut_by_the_look_keeps_its_begin() -> None:
    book = DayBook()
    book.take([verdict(100, 900)], 0, 1000 * S)
    (kept,) = book.take([verdict(500, 900)], 500 * S, 1010 * S)
    assert (kept.start_ns, kept.end_ns) == (100 * S, 900 * S)


def test_a_verdict_that_the_look_shows_a_few_ticks_late_keeps_its_begin() -> None:
    book = DayBook()
    book.take([verdict(100, 900)], 0, 1000 * S)
    (kept,) = book.take([verdict(520, 900)], 500 * S, 1010 * S)
    assert (kept.start_ns, kept.end_ns) == (100 * S, 900 * S)


def test_one_of_which_the_look_holds_only_the_last_ticks_is_not_withdrawn() -> None:
    book = DayBook()
    (old,) = book.take([verdict(100, 900)], 0, 1000 * S)
    assert book.take([], 890 * S, 1010 * S) == [old]


def test_news_are_openings_changes_ends_and_withdrawals() -> None:
    lasting = verdict(100, None)
    assert [c.kind for c in changes([], [lasting])] == [ChangeKind.OPENED]
    assert changes([lasting], [lasting]) == []
    assert [c.kind for c in changes([lasting], [verdict(100, 300)])] == [ChangeKind.ENDED]
    assert [c.kind for c in changes([lasting], [])] == [ChangeKind.WITHDRAWN]
    surer = verdict(100, None, probability=0.99)
    assert changes([lasting], [surer]) == []
    (moved,) = changes([verdict(100, None, probability=0.8)], [surer])
    assert (moved.kind, moved.verdict) == (ChangeKind.CHANGED, surer)


def test_a_group_that_shrinks_to_one_link_is_the_same_trouble_changed() -> None:
    group = verdict(100, None, "attic/router", "air:attic", cause=Cause.NOT_SEPARABLE)
    (change,) = changes([group], [verdict(110, None)])
    assert change.kind is ChangeKind.CHANGED
    assert change.before == group


def test_two_episodes_of_one_link_are_two_troubles() -> None:
    first, second = verdict(100, 200), verdict(900, None)
    (change,) = changes([first], [first, second])
    assert (change.kind, change.verdict) == (ChangeKind.OPENED, second)


def test_what_grew_a_day_old_is_forgotten_and_not_withdrawn() -> None:
    assert changes([verdict(100, 200)], []) == []
    assert changes([verdict(100, 200), verdict(900, None)], [verdict(900, None)]) == []


def test_what_was_told_to_be_over_and_comes_back_is_news() -> None:
    # Nearer than a gap that counts: one episode with a break, which whoever heard "over" must hear of.
    over, back = verdict(100, 200), verdict(100, None)
    assert [c.kind for c in changes([over], [back])] == [ChangeKind.RETURNED]
    assert changes([back], [back]) == []
    assert [c.kind for c in changes([back], [verdict(100, 400)])] == [ChangeKind.ENDED]


def test_two_that_become_parts_of_one_are_not_withdrawn() -> None:
    parts, whole = [verdict(100, 200), verdict(400, 500), verdict(700, None)], verdict(100, None)
    # Two were told to be over: that they are not is news, once.
    assert [c.kind for c in changes(parts, [whole])] == [ChangeKind.RETURNED]
    assert changes([whole], [whole]) == []
    assert [c.kind for c in changes(parts[:2], [whole])] == [ChangeKind.RETURNED]


def test_what_has_stood_for_a_minute_is_not_taken_back_by_two_ticks() -> None:
    book = DayBook()
    stood, instead, new = verdict(100, None), verdict(110, None, "air:router"), verdict(195, None, "beyond")
    assert book.take([stood], 0, 190 * S) == [stood]
    # What explains the past anew waits; what has just begun is told.
    assert book.take([instead, new], 0, 200 * S) == [stood, new]
    assert book.take([instead, new], 0, 210 * S) == [stood, new]
    assert book.take([instead, new], 0, 220 * S) == [instead, new]


def test_what_is_young_is_taken_back_at_once() -> None:
    book = DayBook()
    assert book.take([verdict(100, None)], 0, 130 * S) == [verdict(100, None)]
    assert book.take([], 0, 140 * S) == []
