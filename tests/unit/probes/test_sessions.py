"""Courses keep sessions apart and end old ones when a target moves."""

import pytest

from support.probing import HandClock, key
from whichhop.model import Fate
from whichhop.model.units import MonoNs
from whichhop.probes.sessions import Course, Courses, Remembered, plain
from whichhop.wire.flight import LINGER_NS, WAIT_NS, Flight


def courses() -> Courses[Course]:
    return Courses(lambda k, address: Course(key=k, address=address, flight=Flight()))


def test_a_session_keeps_its_course_while_its_address_stays() -> None:
    found = courses()
    assert found.to(key("router"), "192.0.2.1") is found.to(key("router"), "192.0.2.1")
    assert found.to(key("attic"), "192.0.2.1") is not found.to(key("router"), "192.0.2.1")
    assert found.of(key("modem")) is None


def test_a_target_that_moves_loses_no_packet_of_its_old_course() -> None:
    found, clock = courses(), HandClock()
    old = found.to(key(), "192.0.2.1")
    old.flight.sent(0, clock.utc_ns(), clock.mono_ns())
    new = found.to(key(), "192.0.2.9")
    new.flight.sent(0, clock.utc_ns(), clock.mono_ns())
    clock.pass_ns(WAIT_NS + LINGER_NS + 1)
    assert [(k, s.fate) for k, s in found.expire(clock.mono_ns())] == [(key(), Fate.LOST)] * 2
    assert list(found.expire(MonoNs(clock.mono + WAIT_NS))) == []


def test_a_refused_send_is_not_sent_and_counted_once() -> None:
    course, clock = courses().to(key(), "192.0.2.1"), HandClock()
    course.flight.sent(0, clock.utc_ns(), clock.mono_ns())
    assert [s.fate for s in course.not_sent(0)] == [Fate.NOT_SENT]
    assert course.facts().send_failures == 1
    assert course.facts().send_failures == 0


def test_a_table_forgets_its_oldest_row_only() -> None:
    table: Remembered[int, int] = Remembered()
    for i in range(5000):
        table.keep(i, -i)
    assert table.get(0) is None
    assert table.get(4999) == -4999


@pytest.mark.parametrize(
    ("written", "canonical"),
    [
        ("192.0.2.1", "192.0.2.1"),
        ("2001:DB8::0001", "2001:db8::1"),
        ("fe80::1%eth0", "fe80::1"),
        ("attic", "attic"),
    ],
)
def test_two_spellings_of_an_address_compare_equal(written: str, canonical: str) -> None:
    # canonical form: RFC 5952
    assert plain(written) == canonical
