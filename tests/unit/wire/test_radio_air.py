"""What nl80211 says of a radio, from octets built by linux/nl80211.h; pyroute2, a reader of its own, agrees.

No machine of ours has a radio: what a real driver fills in was not seen.
"""

from typing import Any

import pytest

from support import kernel_messages as kernel
from support.kernel_messages import airtime, attribute, rate, s8, station, u8, u16, u32, u64
from whichhop.outside import OutsideError
from whichhop.wire.netlink import Message, messages
from whichhop.wire.radio_air import (
    Airtime,
    Station,
    Tuned,
    airtime_of,
    power_save_of,
    stations_of,
    tuned_of,
)

# NL80211_STA_INFO_*
SIGNAL, TX_BITRATE, TX_PACKETS, TX_RETRIES, TX_FAILED, SIGNAL_AVG = 7, 8, 10, 11, 12, 13
RX_BITRATE, CONNECTED_TIME, BEACON_LOSS, RX_BYTES64, TX_BYTES64 = 14, 16, 18, 23, 24
# NL80211_RATE_INFO_*
BITRATE, MCS, BITRATE32, VHT_NSS, HE_NSS = 1, 2, 5, 7, 14
# NL80211_SURVEY_INFO_*
FREQUENCY, NOISE, IN_USE, TIME, TIME_BUSY, TIME_RX, TIME_TX, TIME_BSS_RX = 1, 2, 3, 4, 5, 7, 8, 11


def read(*octets: bytes) -> list[Message]:
    return list(messages(b"".join(octets), 1, "kernel"))


def only(*about: bytes) -> Station:
    (found,) = stations_of(read(station(*about)))
    return found


WHOLE = (
    s8(SIGNAL, -61),
    rate(TX_BITRATE, u16(BITRATE, 8667), u32(BITRATE32, 8667), u8(VHT_NSS, 2)),
    rate(RX_BITRATE, u32(BITRATE32, 1300)),
    u32(TX_PACKETS, 1000),
    u32(TX_RETRIES, 250),
    u32(TX_FAILED, 3),
    u32(CONNECTED_TIME, 3600),
    u32(BEACON_LOSS, 1),
    u64(RX_BYTES64, 1 << 33),
    u64(TX_BYTES64, 5),
)


def test_a_station_whose_driver_tells_all() -> None:
    assert only(*WHOLE) == Station(
        mac="02:00:aa:00:bb:01", send_bps=866.7e6, receive_bps=130e6, streams=2, signal_dbm=-61.0,
        connected_s=3600, sent_packets=1000, retries=250, failed=3, beacons_lost=1, received_octets=1 << 33,
        sent_octets=5,
    )  # fmt: skip


def test_another_reader_of_the_same_octets_agrees() -> None:
    nl80211 = pytest.importorskip("pyroute2.netlink.nl80211")

    def theirs(octets: bytes) -> Any:
        found = nl80211.nl80211cmd(octets)
        found.decode()
        return found

    info = theirs(station(*WHOLE)).get_attr("NL80211_ATTR_STA_INFO")
    ours = only(*WHOLE)
    for name, value in (
        ("SIGNAL", ours.signal_dbm),
        ("TX_PACKETS", ours.sent_packets),
        ("TX_RETRIES", ours.retries),
        ("TX_FAILED", ours.failed),
        ("CONNECTED_TIME", ours.connected_s),
        ("BEACON_LOSS", ours.beacons_lost),
        ("RX_BYTES64", ours.received_octets),
    ):
        assert info.get_attr(f"NL80211_STA_INFO_{name}") == value, name
    channel = theirs(BUSY).get_attr("NL80211_ATTR_SURVEY_INFO")
    air = airtime_of(read(BUSY))
    assert air is not None
    for name, value in (
        ("FREQUENCY", air.frequency_mhz),
        ("NOISE", (air.noise_dbm or 0) + 256),  # that reader leaves the octet unsigned
        ("TIME", air.on_ms),
        ("TIME_BUSY", air.busy_ms),
        ("TIME_RX", air.receive_ms),
        ("TIME_TX", air.send_ms),
    ):
        assert channel.get_attr(f"NL80211_SURVEY_INFO_{name}") == value, name


def test_a_driver_that_tells_nothing_leaves_nothing_known() -> None:
    (found,) = stations_of(read(kernel.generic(19, attribute(6, kernel.MAC), kernel.nest(21))))
    assert found == Station(mac="02:00:aa:00:bb:01")


def test_an_old_driver_gives_sixteen_bits_and_the_mean_signal_only() -> None:
    found = only(s8(SIGNAL_AVG, -70), rate(TX_BITRATE, u16(BITRATE, 540)))
    assert (found.send_bps, found.receive_bps, found.signal_dbm) == (54e6, None, -70.0)


def test_rates_above_what_sixteen_bits_hold_come_from_the_wide_one() -> None:
    found = only(rate(TX_BITRATE, u16(BITRATE, 0xFFFF), u32(BITRATE32, 115_294)))
    assert found.send_bps == pytest.approx(11_529.4e6)


def test_a_station_that_sent_nothing_yet_has_no_rate() -> None:
    assert only(rate(TX_BITRATE, u32(BITRATE32, 0))).send_bps is None


@pytest.mark.parametrize(
    ("inner", "streams"),
    [(u8(MCS, 7), 1), (u8(MCS, 15), 2), (u8(HE_NSS, 4), 4), (u8(MCS, 200), None), (b"", None)],
)
def test_streams_are_told_or_follow_from_the_80211n_index(inner: bytes, streams: int | None) -> None:
    # IEEE 802.11n: MCS 0 to 7 are one stream, 8 to 15 two.
    assert only(rate(TX_BITRATE, u32(BITRATE32, 650), inner)).streams == streams


@pytest.mark.parametrize("value", [0, -128, 20])
def test_a_level_that_no_radio_can_receive_is_not_known(value: int) -> None:
    assert only(s8(SIGNAL, value), u32(TX_PACKETS, 1)).signal_dbm is None


def test_messages_without_a_station_are_passed_over() -> None:
    assert stations_of(read(station(), station(s8(SIGNAL, -50), mac=None), BUSY)) == []


def test_a_hardware_address_of_another_length_is_refused() -> None:
    with pytest.raises(OutsideError):
        stations_of(read(station(s8(SIGNAL, -50), mac=b"\1\2")))


BUSY = airtime(
    u32(FREQUENCY, 5180), s8(NOISE, -95), attribute(IN_USE, b""), u64(TIME, 100_000), u64(TIME_BUSY, 82_000),
    u64(TIME_RX, 60_000), u64(TIME_TX, 5_000), u64(TIME_BSS_RX, 9_000),
)  # fmt: skip
"""The channel in use as a driver counts it, milliseconds."""


def test_the_channel_in_use_is_taken_and_no_other() -> None:
    scanned = airtime(u32(FREQUENCY, 2412), s8(NOISE, -90), u64(TIME, 100), u64(TIME_BUSY, 90))
    assert airtime_of(read(scanned, BUSY)) == Airtime(
        frequency_mhz=5180, noise_dbm=-95.0, on_ms=100_000, busy_ms=82_000, receive_ms=60_000,
        own_receive_ms=9_000, send_ms=5_000,
    )  # fmt: skip
    assert airtime_of(read(scanned)) is None


def test_a_driver_without_counters_of_time_leaves_them_unknown() -> None:
    found = airtime_of(read(airtime(u32(FREQUENCY, 2437), attribute(IN_USE, b""))))
    assert found == Airtime(frequency_mhz=2437)


def test_what_a_radio_is_set_to() -> None:
    # NL80211_ATTR_WIPHY_FREQ 38, NL80211_ATTR_CHANNEL_WIDTH 159; NL80211_CHAN_WIDTH_80 is 3.
    assert tuned_of(read(kernel.generic(7, u32(38, 5180), u32(159, 3)))) == Tuned(
        frequency_mhz=5180, width_mhz=80
    )
    assert tuned_of([]) == Tuned()


def test_power_save_is_on_off_or_not_told() -> None:
    # NL80211_ATTR_PS_STATE 93 of NL80211_CMD_GET_POWER_SAVE 62
    assert [
        power_save_of(read(kernel.generic(62, *said))) for said in ((u32(93, 1),), (u32(93, 0),), ())
    ] == [
        True,
        False,
        None,
    ]
