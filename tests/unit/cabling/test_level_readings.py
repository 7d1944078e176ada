"""Modem readings to stored readings and metric rows, and back."""

from hypothesis import given
from hypothesis import strategies as st

from support.channels import down, reading, up
from whichhop.cabling.level_readings import from_readings, metric_rows, to_readings
from whichhop.model import Carrier, Channel, Direction, DslLine, ModemLevels, Reading

_DOWN = st.sampled_from([Carrier.SC_QAM, Carrier.OFDM])
_UP = st.sampled_from([Carrier.TDMA, Carrier.ATDMA, Carrier.SCDMA, Carrier.OFDMA])
_COUNT = st.none() | st.integers(0, 2**53)
_LEVEL = st.none() | st.integers(-400, 700).map(lambda t: t / 10)


@st.composite
def channels(draw: st.DrawFn) -> Channel:
    direction = draw(st.sampled_from(list(Direction)))
    return Channel(
        direction=direction,
        channel_id=draw(st.integers(0, 255)),
        carrier=draw(_DOWN if direction is Direction.DOWN else _UP),
        frequency_hz=draw(st.none() | st.integers(5_000_000, 1_218_000_000)),
        modulation=draw(st.none() | st.sampled_from([4, 64, 256, 4096])),
        locked=draw(st.none() | st.booleans()),
        power_dbmv=draw(_LEVEL),
        mer_db=draw(_LEVEL),
        unerrored=draw(_COUNT),
        uncorrectable=draw(_COUNT),
        t3_timeouts=draw(_COUNT),
    )


@given(st.lists(channels(), max_size=8, unique_by=lambda c: c.name))
def test_what_is_stored_comes_back_whole(some: list[Channel]) -> None:
    levels = ModemLevels(node="modem", at_ns=5, channels=tuple(some))
    shuffled = sorted(to_readings(levels, "desk"), key=lambda r: r.name)
    back = from_readings(shuffled)
    assert len(back) == bool(some)
    assert {c for levels in back for c in levels.channels} == set(some)


def test_channels_come_back_in_the_order_of_their_ids() -> None:
    levels = reading([down(i) for i in (1, 2, 10, 11)] + [up(1)])
    assert from_readings(sorted(to_readings(levels, "desk"), key=lambda r: r.name)) == (levels,)


def test_names_are_bounded_by_node_channel_and_fact() -> None:
    names = [r.name for r in to_readings(reading([down(1), up(2)]), "desk")]
    assert len(names) == len(set(names))
    assert "levels/modem/down-1/power_dbmv" in names
    assert all(n.count("/") == 3 for n in names)


def test_several_readings_come_back_oldest_first_and_others_are_passed_over() -> None:
    late, early = reading([down(1)], 60), reading([down(1)], 0)
    stored = [*to_readings(late, "desk"), *to_readings(early, "desk")]
    stored.append(Reading(at_ns=1, agent="desk", name="wan_rx_bytes", value=7.0))
    stored.append(Reading(at_ns=1, agent="desk", name="levels/modem/sideways-1/locked", value=1.0))
    times = [levels.at_ns for levels in from_readings(stored) if levels.channels]
    assert times == [0, 60_000_000_000]


def test_metric_rows_have_base_units_and_bounded_labels() -> None:
    rows = metric_rows(reading([down(1, unerrored=10, corrected=1, uncorrectable=0), up(1, t3_timeouts=2)]))
    found = {(r.name, dict(r.labels).get("outcome", dict(r.labels).get("timer", "")), r.total) for r in rows}
    assert ("modem_power_dbmv", "", False) in found
    assert ("modem_codewords", "uncorrectable", True) in found
    assert ("modem_ranging_timeouts", "t3", True) in found
    assert {"node", "direction", "channel"} <= set(dict(rows[0].labels))


def test_what_a_modem_does_not_tell_makes_no_row() -> None:
    bare = Channel(direction=Direction.DOWN, channel_id=1, carrier=Carrier.SC_QAM)
    assert metric_rows(reading([bare])) == ()


def test_a_dsl_line_and_a_fibres_light_are_stored_and_come_back() -> None:
    lines = (
        DslLine(direction=Direction.DOWN, margin_db=6.5, rate_bps=5e7),
        DslLine(direction=Direction.UP, attenuation_db=11.0),
    )
    levels = ModemLevels(node="modem", at_ns=7, channels=(), dsl=lines, receive_dbm=-18.5)
    assert from_readings(to_readings(levels, "desk")) == (levels,)


def test_rates_are_exported_in_bytes_and_light_in_dbm() -> None:
    line = DslLine(direction=Direction.DOWN, margin_db=6.0, rate_bps=8e6)
    rows = metric_rows(ModemLevels(node="modem", at_ns=7, channels=(), dsl=(line,), receive_dbm=-18.5))
    assert {r.name: r.value for r in rows} == {
        "dsl_margin_db": 6.0,
        "dsl_rate_bytes_per_second": 1e6,
        "optical_receive_dbm": -18.5,
    }
