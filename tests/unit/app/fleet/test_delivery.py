"""Remote-Write 1.0 and 2.0, "Retries & Backoff": what is sent again, what never is, and after how long."""

from pathlib import Path

import pytest

from whichhop.app.fleet.delivery import LONGEST_WAIT_S, REFUSED_WAIT_S, WAITS_S, WRITTEN, Delivery
from whichhop.model.fleet import Series, WriteVersion
from whichhop.net.http_client import Failure, HttpAnswer, HttpError
from whichhop.store.outbox import Outbox


def answer(status: int, retry_after: str = "", body: bytes = b"out of bounds") -> HttpAnswer:
    headers = {"retry-after": retry_after} if retry_after else {}
    return HttpAnswer(status=status, reason="", body=body, charset=None, headers=headers)


@pytest.fixture
def delivery(tmp_path: Path) -> Delivery:
    box = Outbox(tmp_path / "a.outbox", 10**6)
    for number in range(4):
        box.put([Series(name="m", labels=(), points=((number, 1.0),))])
    return Delivery(box, 0.0)


def told(delivery: Delivery) -> list[int]:
    return [frame.series[0].points[0][0] for frame in delivery.next()]


def test_what_is_taken_is_gone_and_never_sent_again(delivery: Delivery) -> None:
    outcome = delivery.answered(delivery.next(), answer(204))
    assert (outcome.sent, outcome.wait_s, outcome.trouble) == (4, 0.0, "")
    assert told(delivery) == []


def drained(delivery: Delivery) -> list[int]:
    """What a server that works again gets, in order; nothing may be given up."""
    out: list[int] = []
    while frames := delivery.next():
        out += [frame.series[0].points[0][0] for frame in frames]
        outcome = delivery.answered(frames, answer(204))
        assert (outcome.wait_s, outcome.given_up) == (0.0, 0)
    return out


@pytest.mark.parametrize("status", [500, 502, 503, 504, 429])
def test_a_server_in_trouble_is_tried_again_with_the_same_after_growing_waits(
    delivery: Delivery, status: int
) -> None:
    waits = [delivery.answered(delivery.next(), answer(status)).wait_s for _ in range(len(WAITS_S) + 2)]
    assert waits == [*WAITS_S, WAITS_S[-1], WAITS_S[-1]]
    assert drained(delivery) == [0, 1, 2, 3]


def test_a_server_that_is_not_reached_is_one_in_trouble(delivery: Delivery) -> None:
    outcome = delivery.answered(delivery.next(), HttpError(Failure.UNREACHABLE, "connection refused"))
    assert outcome.wait_s == WAITS_S[0]
    assert "connection refused" in outcome.trouble
    assert len(delivery.next()) == 4


def test_at_least_as_long_as_it_asks_for_but_not_for_ever(delivery: Delivery) -> None:
    # RFC 9110 10.2.3
    assert delivery.answered(delivery.next(), answer(429, "17")).wait_s == 17.0
    assert delivery.answered(delivery.next(), answer(503, "9" * 30)).wait_s == LONGEST_WAIT_S
    assert (
        delivery.answered(delivery.next(), answer(503, "Fri, 27 Nov 2026 07:30:51 GMT")).wait_s == WAITS_S[2]
    )


@pytest.mark.parametrize("status", [400, 409, 413, 415, 422])
def test_one_bad_frame_goes_alone_and_the_others_are_sent(delivery: Delivery, status: int) -> None:
    sent: list[int] = []
    gave_up = 0
    for _ in range(30):
        frames = delivery.next()
        if not frames:
            break
        numbers = [f.series[0].points[0][0] for f in frames]
        outcome = delivery.answered(frames, answer(status if 2 in numbers else 200))
        gave_up += outcome.given_up
        assert outcome.wait_s == 0.0
        if outcome.sent:
            sent += numbers
        if outcome.given_up:
            assert "out of bounds" in outcome.trouble
    assert sent == [0, 1, 3]
    assert gave_up == 1


@pytest.mark.parametrize("status", [301, 401, 403, 404, 405])
def test_an_answer_about_the_sender_keeps_what_waits_until_somebody_has_put_it_right(
    delivery: Delivery, status: int
) -> None:
    outcome = delivery.answered(delivery.next(), answer(status))
    assert (outcome.given_up, outcome.wait_s) == (0, REFUSED_WAIT_S)
    assert outcome.trouble
    assert len(delivery.next()) == 4


def test_a_frame_at_which_a_server_fails_for_ever_does_not_hold_up_the_others(delivery: Delivery) -> None:
    # A real server answers 500 to values older than it takes ("too old sample", seen with version 2.42).
    sent: list[int] = []
    gave_up, waited_s = 0, 0.0
    for _ in range(100):
        frames = delivery.next()
        if not frames:
            break
        numbers = [f.series[0].points[0][0] for f in frames]
        outcome = delivery.answered(frames, answer(500 if 1 in numbers else 204, body=b"too old sample"))
        gave_up, waited_s = gave_up + outcome.given_up, waited_s + outcome.wait_s
        sent += numbers if outcome.sent else []
    assert (sorted(sent), gave_up) == ([0, 2, 3], 1)
    assert waited_s > sum(WAITS_S[:4])  # it was tried again as the specification wants


@pytest.mark.parametrize("failures", [1, 9, 10, 11, 12, 200, 201])
def test_a_server_that_is_down_altogether_loses_nothing_however_long(
    delivery: Delivery, failures: int
) -> None:
    for _ in range(failures):
        assert delivery.answered(delivery.next(), answer(503)).given_up == 0
    assert sorted(drained(delivery)) == [0, 1, 2, 3]
    assert delivery.outbox.waiting == 0


def test_a_receiver_of_1_0_that_takes_2_0_for_nothing_is_found_out(delivery: Delivery) -> None:
    # Remote-Write 2.0, "Required Written Response Headers".
    two = Delivery(delivery.outbox, 0.0, WriteVersion.TWO)
    outcome = two.answered(two.next(), answer(204))
    assert (outcome.sent, outcome.given_up) == (0, 0)
    assert "1.0" in outcome.trouble
    told = HttpAnswer(status=204, reason="", body=b"", charset=None, headers={WRITTEN: "4"})
    assert two.answered(two.next(), told).sent == 4


def test_homes_that_lost_the_same_server_do_not_come_back_in_step(delivery: Delivery) -> None:
    other = Delivery(delivery.outbox, 0.5)
    waits = {d.answered(d.next(), answer(503)).wait_s for d in (delivery, other)}
    assert waits == {WAITS_S[0], 1.5 * WAITS_S[0]}
