"""What a change to the coax should gain, kept with its mark."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.modem_tables import transmit_dbmv
from whichhop.cabling.run import expected_dbmv
from whichhop.cabling.what_if import CoaxChange, changed, expected_at, expected_gains
from whichhop.model import Direction
from whichhop.model.cable_run import Cable, CableKind, Run, Splitter

RUN = Run(
    tap_dbmv={100e6: 12.0},
    parts=(Cable(kind=CableKind.RG_59, length_m=25.0), Splitter(ways=2), Splitter(ways=4)),
)


def test_a_two_way_splitter_taken_out_is_3_5_db_both_ways() -> None:
    # common practice: 3.5 dB a leg
    gains = expected_gains(RUN, CoaxChange(at=2))
    assert expected_at(gains, Direction.DOWN, 501e6) == pytest.approx(3.5)
    assert expected_at(gains, Direction.UP, 30e6) == pytest.approx(-3.5)


@given(st.floats(100e6, 1000e6), st.floats(10e6, 85e6))
def test_in_between_gains_are_those_of_the_run_itself(down_hz: float, up_hz: float) -> None:
    change = CoaxChange(at=1)  # a cable: its gain depends on frequency
    gains, after = expected_gains(RUN, change), changed(RUN, change)
    wanted = expected_dbmv(after, down_hz) - expected_dbmv(RUN, down_hz)
    assert expected_at(gains, Direction.DOWN, down_hz) == pytest.approx(wanted, abs=0.1)
    sent = transmit_dbmv(after, up_hz, 30.0) - transmit_dbmv(RUN, up_hz, 30.0)
    assert expected_at(gains, Direction.UP, up_hz) == pytest.approx(sent, abs=0.1)


def test_nothing_kept_expects_nothing() -> None:
    assert expected_at((), Direction.DOWN, 5e8) is None
