"""The emulated modem's levels follow from its cable run."""

import pytest
from msgspec.structs import replace

from support.modem_tables import ModemState, modem_tables
from whichhop.cabling.judge_levels import judge_channels
from whichhop.cabling.rules import LevelStanding
from whichhop.model import Channel, Direction
from whichhop.model.cable_run import Cable, CableKind, Run, Splitter
from whichhop.wire.docs_mib import channels_of

RUN = Run(
    tap_dbmv={100e6: 12.0},
    parts=(Splitter(ways=2), Cable(kind=CableKind.RG_6, length_m=30.48), Splitter(ways=2)),
)


def channels(state: ModemState) -> tuple[Channel, ...]:
    return channels_of({oid: value for oid, (_, value) in modem_tables(state).items()})


def test_the_modem_reads_what_the_run_leaves_to_a_tenth() -> None:
    # by hand at 543 MHz: 12 - 3.5 - 3.5 less RG-6: 4.15 + (23.3024-20)/(23.4521-20) x 0.75 = 4.8675; 0.1325
    down = [c for c in channels(ModemState(run=RUN)) if c.direction is Direction.DOWN]
    assert down[-1].frequency_hz == 543_000_000
    assert down[-1].power_dbmv == pytest.approx(0.1)
    assert judge_channels(down).standing is LevelStanding.FINE


def test_a_splitter_taken_out_is_3_5_db_more_down_and_less_up() -> None:
    before = channels(ModemState(run=RUN))
    after = channels(ModemState(run=replace(RUN, parts=RUN.parts[1:])))
    for old, new in zip(before, after, strict=True):
        assert old.power_dbmv is not None
        assert new.power_dbmv is not None
        gain = new.power_dbmv - old.power_dbmv
        assert gain == pytest.approx(3.5 if new.direction is Direction.DOWN else -3.5, abs=0.051)


def test_a_channel_without_signal_is_unlocked() -> None:
    found = channels(ModemState(run=RUN, unlocked=frozenset({3})))
    assert [c.name for c in found if c.locked is False] == ["down-3"]
