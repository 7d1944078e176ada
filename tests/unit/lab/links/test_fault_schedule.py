"""A script of faults becomes switchings in order of time."""

from whichhop.lab.scenario import Effect, Fault, switchings
from whichhop.model import Cause


def fault(at_s: float, for_s: float) -> Fault:
    return Fault(at_s=at_s, for_s=for_s, element="beyond", cause=Cause.BEYOND, effect=Effect(outage=True))


def test_overlapping_faults_switch_in_order_of_time() -> None:
    steps = switchings([fault(1, 5), fault(3, 1)])
    assert [(s.at_s, s.number, s.on) for s in steps] == [
        (1, 0, True),
        (3, 1, True),
        (4, 1, False),
        (6, 0, False),
    ]


def test_what_ends_goes_off_before_what_begins_at_the_same_instant() -> None:
    steps = switchings([fault(2, 1), fault(1, 1)])
    assert [(s.at_s, s.number, s.on) for s in steps] == [
        (1, 1, True),
        (2, 1, False),
        (2, 0, True),
        (3, 0, False),
    ]
