"""A modem's readings by the hour, like with like, before and after a change."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from whichhop.cabling.level_hours import HOUR_NS, level_series
from whichhop.model import Carrier, Channel, Direction, DslLine, ModemLevels
from whichhop.model.channel import LevelSeries


def channel(number: int, power: float, lost: int = 0, total: int = 10_000) -> Channel:
    return Channel(
        direction=Direction.DOWN,
        channel_id=number,
        carrier=Carrier.SC_QAM,
        frequency_hz=500_000_000 + 6_000_000 * number,
        locked=True,
        power_dbmv=power,
        mer_db=38.0,
        unerrored=total - lost,
        corrected=0,
        uncorrectable=lost,
    )


def reading(hour: float, *channels: Channel) -> ModemLevels:
    return ModemLevels(node="modem", at_ns=round(hour * HOUR_NS), channels=channels)


def of_fact(series: tuple[LevelSeries, ...], fact: str) -> LevelSeries:
    return next(s for s in series if s.fact == fact)


@given(st.lists(st.tuples(st.floats(0, 9.9), st.floats(-20, 20)), min_size=1, max_size=20), st.floats(-9, 9))
def test_a_shift_of_every_channel_is_the_series_shift(rows: list[tuple[float, float]], shift: float) -> None:
    before = [reading(h, channel(1, p), channel(2, p + 1), channel(3, p + 2)) for h, p in sorted(rows)]
    after = [
        replace(
            r,
            at_ns=r.at_ns + 24 * HOUR_NS,
            channels=tuple(replace(c, power_dbmv=(c.power_dbmv or 0.0) + shift) for c in r.channels),
        )
        for r in before
    ]
    series, remarks = level_series(before, after)
    power = of_fact(series, "power_dbmv")
    assert remarks == ()
    assert power.channels == 3
    for hour, value in power.before.items():
        assert power.after[hour + 24] == pytest.approx(value + shift)


def test_codewords_are_counted_as_differences_never_as_totals() -> None:
    old = [reading(1.0, channel(1, 0.0, lost=500)), reading(1.5, channel(1, 0.0, lost=510, total=20_010))]
    new = [
        reading(25.0, channel(1, 0.0, lost=510, total=30_010)),
        reading(25.5, channel(1, 0.0, lost=510, total=40_010)),
    ]
    counted = of_fact(level_series(old, new)[0], "uncorrectable")
    # 10 of 10,010 between the two readings before, 0 of 10,000 after, by hand
    assert counted.counts_before == {1: (10.0, 10_010.0)}
    assert counted.counts_after == {25: (0.0, 10_000.0)}


def test_a_restart_between_readings_is_left_out() -> None:
    old = [reading(1.0, channel(1, 0.0, lost=500)), reading(1.5, channel(1, 0.0, lost=3, total=100))]
    found, _ = level_series(old, [reading(25.0, channel(1, 0.0))])
    assert all(s.fact != "uncorrectable" for s in found)


def test_channels_of_one_side_only_are_left_out_and_told() -> None:
    old = [reading(1.0, channel(1, 0.0), channel(2, 1.0), channel(3, 20.0))]
    series, remarks = level_series(old, [reading(25.0, channel(1, 2.0), channel(2, 3.0))])
    power = of_fact(series, "power_dbmv")
    assert (power.before[1], power.after[25]) == (0.5, 2.5)
    assert remarks == ("down sc-qam: 2 channels are on both sides; the others are left out",)


def test_a_replaced_modem_is_matched_by_frequency_and_told() -> None:
    old = [reading(1.0, channel(1, 0.0), channel(2, 1.0))]
    renamed = [replace(c, channel_id=c.channel_id + 40) for c in (channel(1, 2.0), channel(2, 3.0))]
    series, remarks = level_series(old, [reading(25.0, *renamed)])
    assert of_fact(series, "power_dbmv").after == {25: 2.5}
    assert "matched by frequency" in remarks[0]


def test_a_modem_with_nothing_in_common_tells_nothing() -> None:
    other = replace(channel(9, 0.0), frequency_hz=900_000_000, channel_id=77)
    series, remarks = level_series([reading(1.0, channel(1, 0.0))], [reading(25.0, other)])
    assert series == ()
    assert "no channel is on both sides" in remarks[0]


def test_unlocked_channels_do_not_pull_the_level_down() -> None:
    off = replace(channel(2, -60.0), locked=False)
    old, new = reading(1.0, channel(1, 0.0), off), reading(25.0, channel(1, 3.5), off)
    power = of_fact(level_series([old], [new])[0], "power_dbmv")
    assert (power.before[1], power.after[25]) == (0.0, 3.5)


def test_dsl_and_light_are_compared_the_same_way() -> None:
    def line(hour: float, margin: float, light: float) -> ModemLevels:
        dsl = (DslLine(direction=Direction.DOWN, margin_db=margin, rate_bps=5e7),)
        return ModemLevels(node="modem", at_ns=round(hour * HOUR_NS), channels=(), dsl=dsl, receive_dbm=light)

    series, _ = level_series([line(1.0, 6.0, -20.0)], [line(25.0, 9.0, -18.0)])
    assert {(s.group, s.fact): (s.before[1], s.after[25]) for s in series} == {
        ("down dsl", "margin_db"): (6.0, 9.0),
        ("down dsl", "rate_bps"): (5e7, 5e7),
        ("light", "receive_dbm"): (-20.0, -18.0),
    }
