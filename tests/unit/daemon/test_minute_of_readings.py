"""A minute of readings becomes one reading a name."""

from whichhop.daemon.minutes import MinuteOfReadings
from whichhop.model import Reading
from whichhop.model.units import NS_PER_S


def reading(at_s: float, name: str, value: float) -> Reading:
    return Reading(at_ns=round(at_s * NS_PER_S), agent="desk", name=name, value=value)


def test_failures_add_up_and_the_worst_lateness_is_kept_with_its_own_time() -> None:
    minute = MinuteOfReadings()
    for at_s, late, failures in ((1, 0.002, 1), (2, 0.9, 0), (3, 0.001, 2)):
        minute.add(reading(at_s, "loop_lateness_s", late))
        minute.add(reading(at_s, "send_failures", failures))
    assert minute.close_before(59 * NS_PER_S) == []
    assert [(r.name, r.value, r.at_ns) for r in minute.close_before(60 * NS_PER_S)] == [
        ("loop_lateness_s", 0.9, 2 * NS_PER_S),
        ("send_failures", 3, 3 * NS_PER_S),
    ]
    assert minute.close_all() == []


def test_clock_steps_back_and_forth_add_up_and_an_open_minute_can_be_closed() -> None:
    minute = MinuteOfReadings()
    minute.add(reading(61, "clock_step_s", -0.5))
    minute.add(reading(62, "clock_step_s", -0.25))
    assert [r.value for r in minute.close_all()] == [-0.75]
