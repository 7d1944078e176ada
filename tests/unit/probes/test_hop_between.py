"""Two looks at a hop: what was counted between them, and that what begins anew is never a rate below zero."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from whichhop.probes.hop_between import port_facts, radio_facts
from whichhop.probes.own_links import OwnLinks, Radio
from whichhop.wire.interface_counters import Interface
from whichhop.wire.port_modes import PortModes
from whichhop.wire.radio_air import Airtime, Station, Tuned

MAC = "02:00:aa:00:bb:01"
PORT = Interface(
    index=2, name="eth0", carrier=True, carrier_changes=2, received_frames=1000, sent_frames=500,
    received_octets=1_000_000, sent_octets=50_000, errors=3, dropped=1,
)  # fmt: skip
STATION = Station(
    mac=MAC, send_bps=866.7e6, receive_bps=400e6, streams=2, signal_dbm=-58.0, connected_s=100,
    sent_packets=1000,
    retries=100, failed=2, beacons_lost=1, received_octets=10_000, sent_octets=20_000,
)  # fmt: skip
AIR = Airtime(
    frequency_mhz=5180, noise_dbm=-95.0, on_ms=50_000, busy_ms=20_000, receive_ms=15_000,
    own_receive_ms=4_000,
    send_ms=2_000,
)  # fmt: skip
RADIO = Radio(
    stations=[STATION], airtime=AIR, tuned=Tuned(frequency_mhz=5180, width_mhz=80), power_save=False
)


def look(at_s: float, *, port: Interface | None = None, radio: Radio | None = None) -> OwnLinks:
    return OwnLinks(
        at_ns=round(at_s * 1e9),
        mono_ns=round(at_s * 1e9),
        interfaces={} if port is None else {port.name: port},
        ports={"eth0": PortModes(speed_bps=100e6, full_duplex=True, able_bps=1e9, partner_able_bps=1e9)},
        radios={} if radio is None else {"wlan0": radio},
    )


def of_port(after: Interface, before: Interface | None = PORT) -> dict[str, float | None]:
    return dict(port_facts(look(0, port=before), look(10, port=after), "eth0"))


def of_radio(after: Radio, before: Radio | None = RADIO) -> dict[str, float | None]:
    return dict(radio_facts(look(0, radio=before), look(10, radio=after), "wlan0", MAC))


def test_a_port_that_errs_and_flaps_is_counted_between_the_looks() -> None:
    now = replace(
        PORT, carrier_changes=6, received_frames=1900, sent_frames=600, errors=13, received_octets=2_250_000
    )
    assert of_port(now) == {
        "port_speed_bps": 100e6,
        "port_full_duplex": 1.0,
        "port_able_bps": 1e9,
        "port_partner_able_bps": 1e9,
        "port_frames": 1000,
        "port_errors": 10,
        "port_dropped": 0,
        "port_carrier_changes": 4,
        "own_receive_bps": 1e6,  # 1,250,000 octets in 10 s
        "own_send_bps": 0.0,
    }


def test_the_first_look_knows_what_is_and_counts_nothing() -> None:
    facts = port_facts(None, look(10, port=PORT), "eth0")
    assert facts["port_speed_bps"] == 100e6
    assert "port_errors" not in facts


def test_an_interface_made_anew_has_no_counts_yet() -> None:
    assert "port_errors" not in of_port(replace(PORT, index=7, errors=0))
    assert of_port(replace(PORT, name="eth9")) == {}


def test_counters_that_fell_are_not_known_rather_than_negative() -> None:
    # A driver that was loaded again under the same number: everything begins at zero.
    facts = of_port(
        replace(PORT, received_frames=4, sent_frames=2, errors=0, received_octets=300, carrier_changes=1)
    )
    counted = ("port_frames", "port_errors", "port_dropped", "port_carrier_changes", "own_receive_bps")
    assert {facts[n] for n in counted} == {None}


def test_a_kernel_that_does_not_count_errors_says_nothing_of_them() -> None:
    bare = Interface(index=2, name="eth0")
    facts = of_port(bare, bare)
    assert {facts[n] for n in ("port_frames", "port_errors", "port_carrier_changes", "own_send_bps")} == {
        None
    }


def test_a_radios_shares_are_of_the_time_between() -> None:
    now = Radio(
        stations=[
            replace(STATION, connected_s=110, sent_packets=1700, retries=400, failed=9, beacons_lost=3)
        ],
        airtime=replace(
            AIR, on_ms=60_000, busy_ms=28_200, receive_ms=22_000, own_receive_ms=4_500, send_ms=2_600
        ),
        tuned=RADIO.tuned,
        power_save=True,
    )
    facts = of_radio(now)
    assert facts["radio_busy_share"] == pytest.approx(0.82)
    assert facts["radio_receive_share"] == pytest.approx(0.7)
    assert facts["radio_own_receive_share"] == pytest.approx(0.05)
    assert facts["radio_transmit_share"] == pytest.approx(0.06)
    assert facts["radio_retry_share"] == pytest.approx(0.3)  # 300 of 1,000 sendings
    assert facts["radio_failed_share"] == pytest.approx(0.01)
    assert facts["radio_beacons_lost"] == 2
    assert facts["radio_power_save"] == 1.0
    assert (facts["radio_width_mhz"], facts["radio_frequency_mhz"], facts["radio_streams"]) == (80, 5180, 2)


def test_a_station_that_joined_again_leaves_its_counts_unknown_and_the_channels_known() -> None:
    now = replace(RADIO, stations=[replace(STATION, connected_s=3, sent_packets=2000, retries=300)])
    now = replace(now, airtime=replace(AIR, on_ms=60_000, busy_ms=21_000))
    facts = of_radio(now)
    assert facts["radio_connected_s"] == 3
    assert "radio_retry_share" not in facts
    assert facts["radio_busy_share"] == pytest.approx(0.1)


def test_a_driver_that_begins_its_time_anew_at_each_look_is_read_as_it_means_it() -> None:
    # Each look gives the last ten seconds alone, so the differences would be of a few milliseconds.
    before = replace(RADIO, airtime=replace(AIR, on_ms=9_990, busy_ms=1_000))
    now = replace(RADIO, airtime=replace(AIR, on_ms=10_000, busy_ms=8_000))
    assert of_radio(now, before)["radio_busy_share"] == pytest.approx(0.8)


def test_another_channel_since_begins_its_time_anew() -> None:
    now = replace(RADIO, airtime=replace(AIR, frequency_mhz=5500, on_ms=4_000, busy_ms=1_000))
    assert of_radio(now)["radio_busy_share"] == pytest.approx(0.25)
    long_before = replace(RADIO, airtime=replace(AIR, frequency_mhz=5500, on_ms=400_000, busy_ms=1_000))
    assert of_radio(long_before)["radio_busy_share"] is None


def test_no_packets_no_share() -> None:
    assert of_radio(replace(RADIO, stations=[replace(STATION, connected_s=110)]))["radio_retry_share"] is None


def test_thirty_two_bits_that_wrap_are_counted_across_the_top() -> None:
    before = replace(RADIO, stations=[replace(STATION, sent_packets=2**32 - 10, retries=5)])
    now = replace(RADIO, stations=[replace(STATION, connected_s=110, sent_packets=20, retries=15)])
    assert of_radio(now, before)["radio_retry_share"] == pytest.approx(10 / 40)


count = st.none() | st.integers(0, 2**64 - 1)


@given(st.lists(count, min_size=10, max_size=10), st.floats(0.001, 1e6))
def test_whatever_two_looks_say_no_count_is_negative_and_no_share_above_one(
    values: list[int | None], seconds: float
) -> None:
    def links(own: list[int | None], at_s: float) -> OwnLinks:
        a, b, c, d, e = own
        return look(
            at_s,
            port=replace(PORT, received_frames=a, sent_frames=b, errors=c, dropped=d, carrier_changes=e),
            radio=replace(
                RADIO,
                stations=[
                    replace(STATION, sent_packets=a, retries=b, failed=c, connected_s=d, beacons_lost=e)
                ],
                airtime=replace(AIR, on_ms=a, busy_ms=b, receive_ms=c, send_ms=d),
            ),
        )

    before, after = links(values[:5], 0), links(values[5:], seconds)
    told = {**port_facts(before, after, "eth0"), **radio_facts(before, after, "wlan0", MAC)}
    for name, value in told.items():
        if value is not None and not name.endswith("dbm"):
            assert value >= 0, name
            assert not name.endswith("_share") or value <= 1, name
