"""What the seconds said stands until the ticks have had their time."""

from array import array

from whichhop.app.live.live_comparison import BACK_NS, STANDS_NS, NewestSeconds, SoonWords
from whichhop.model import ABSENT, Cause, Columns, Fate, Method, Record, SessionKey, Verdict
from whichhop.model.units import NS_PER_MINUTE, NS_PER_S

MINUTE = 29_000_000
START_NS = MINUTE * NS_PER_MINUTE
KEY = SessionKey(agent="desk", target="router", method=Method.STAMP)


def record(minute: int, count: int) -> Record:
    columns = Columns(
        sent_ns=array("q", [minute * NS_PER_MINUTE + i * NS_PER_S for i in range(count)]),
        fate=array("B", [Fate.ANSWERED] * count),
        rtt_ns=array("q", [5_000_000] * count),
        out_ns=array("q", [ABSENT] * count),
        queue_ns=array("q", [ABSENT] * count),
    )
    return Record(session=KEY, minute=minute, samples=columns)


def verdict(element: str, start_ns: int, end_ns: int | None = None) -> Verdict:
    return Verdict(
        cause=Cause.BACKHAUL, elements=(element,), probability=0.97, start_ns=start_ns, end_ns=end_ns
    )


def test_a_minute_that_closes_is_there_until_the_store_has_it() -> None:
    newest = NewestSeconds()
    newest.take([record(MINUTE, 60)])
    newest.take([record(MINUTE + 1, 5)])
    found = newest.at(START_NS + NS_PER_MINUTE + 5 * NS_PER_S + 1)
    assert found.count == BACK_NS // NS_PER_S
    assert found.sent[:, 0].tolist() == [1] * found.count
    newest.take([record(MINUTE + 2, 1)])
    assert newest.at(START_NS + 50 * NS_PER_S).sent.sum() == 0


def test_a_word_of_the_seconds_stands_until_the_ticks_bear_it_out() -> None:
    words = SoonWords()
    words.say([verdict("attic/router", START_NS)])
    words.say([verdict("attic/router", START_NS + NS_PER_S)])
    (still,) = words.beside([], START_NS - 10 * NS_PER_S)
    assert still.start_ns == START_NS
    assert words.beside([verdict("attic/router", START_NS)], START_NS + 10 * NS_PER_S) == []
    assert words.beside([], START_NS + 10 * NS_PER_S) == []


def test_a_word_that_the_ticks_do_not_bear_out_goes() -> None:
    words = SoonWords()
    words.say([verdict("attic/router", START_NS)])
    old = verdict("attic/router", START_NS - NS_PER_MINUTE, START_NS - NS_PER_S)
    assert len(words.beside([old], START_NS + 10 * NS_PER_S)) == 1
    assert words.beside([old], START_NS + STANDS_NS) == []
