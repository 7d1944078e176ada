"""A packet's two send stamps become the one time it left, and a queue only where there is one."""

from whichhop.probes.sessions import STAMPING_NS, SendTimes


def test_what_stamping_itself_costs_is_no_queue() -> None:
    times: SendTimes[str] = SendTimes()
    times.launched(1, "packet")
    assert times.stamped(1, 1000, scheduled=True) == ("packet", 1000, None)
    assert times.stamped(1, 1000 + STAMPING_NS - 1, scheduled=False) == (
        "packet",
        1000 + STAMPING_NS - 1,
        1000 + STAMPING_NS - 1,
    )


def test_a_packet_that_waited_in_its_own_machines_queue_left_when_it_was_scheduled() -> None:
    # a host's software stamp alone hides its own queue: taken after it, as the driver gets the packet
    times: SendTimes[str] = SendTimes()
    times.launched(1, "packet")
    times.stamped(1, 1000, scheduled=True)
    assert times.stamped(1, 98_001_000, scheduled=False) == ("packet", 1000, 98_001_000)


def test_both_stamps_at_once_tell_what_one_after_the_other_tells() -> None:
    for later in (STAMPING_NS - 1, 98_000_000):
        times: SendTimes[str] = SendTimes()
        times.launched(1, "packet")
        times.stamped(1, 1000, scheduled=True)
        times.launched(2, "packet")
        apart = times.stamped(1, 1000 + later, scheduled=False)
        assert times.stamped(2, 1000 + later, scheduled=False, scheduled_ns=1000) == apart
        assert len(times) == 0


def test_a_driver_that_stamps_where_scheduling_did_not_still_tells_the_time() -> None:
    times: SendTimes[str] = SendTimes()
    times.launched(1, "packet")
    assert times.stamped(1, 5000, scheduled=False) == ("packet", 5000, 5000)


def test_a_stamp_of_nobodys_packet_is_nobodys() -> None:
    times: SendTimes[str] = SendTimes()
    assert times.stamped(9, 5000, scheduled=True) is None


def test_a_packet_is_forgotten_with_its_last_stamp_so_that_memory_stays_small() -> None:
    times: SendTimes[str] = SendTimes()
    for token in range(100):
        times.launched(token, "packet")
        times.stamped(token, 1000, scheduled=True)
    assert len(times) == 100
    for token in range(99):
        assert times.stamped(token, 2000, scheduled=False) is not None
    assert len(times) == 1
    assert times.stamped(0, 2000, scheduled=False) is None
