"""Netlink's frame, and what rtnetlink and the ethtool family say in it, from octets built by the headers."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fuzz.allowed import complained
from support import kernel_messages as kernel
from whichhop.errors import WhichhopError
from whichhop.outside import OutsideError
from whichhop.wire import interface_counters, port_modes, radio_air
from whichhop.wire.interface_counters import Interface, bridge_ports, interfaces_of
from whichhop.wire.netlink import DONE, Message, RefusedError, messages, request
from whichhop.wire.port_modes import PortModes, modes_of, with_state


def read(octets: bytes) -> list[Message]:
    return list(messages(octets, 1, "kernel"))


def one(octets: bytes) -> Message:
    return read(octets)[0]


def test_a_request_is_as_the_header_lays_it_out() -> None:
    # linux/netlink.h: length, type, flags, sequence, port; NLM_F_REQUEST | NLM_F_DUMP is 0x301.
    asked = request(interface_counters.GET_LINK, interface_counters.all_links(), seq=7, flags=0x300)
    assert asked[:16] == struct.pack("=IHHII", 32, 18, 0x301, 7, 0)
    assert asked[16:] == bytes(16)  # struct ifinfomsg of AF_UNSPEC


def test_answers_to_others_are_passed_over_and_the_end_is_told() -> None:
    octets = kernel.link(2, "eth0") + kernel.message(16, b"strange", seq=9) + kernel.done()
    assert [m.type for m in read(octets)] == [16, DONE]


def test_a_refusal_keeps_its_number() -> None:
    with pytest.raises(RefusedError) as refused:
        read(kernel.refusal(95))
    assert refused.value.number == 95


def test_an_acknowledgement_is_an_end() -> None:
    assert [m.type for m in read(kernel.refusal(0))] == [DONE]


@pytest.mark.parametrize(
    "octets", [b"\1", kernel.link(2, "eth0")[:-4], struct.pack("=IHHII", 8, 16, 0, 1, 0)]
)
def test_a_message_that_does_not_fit_its_frame_is_refused(octets: bytes) -> None:
    with pytest.raises(OutsideError):
        read(octets)


# -- interfaces (linux/if_link.h)


def test_an_interfaces_counts_and_carrier() -> None:
    counts = kernel.stats64(
        rx_packets=10, tx_packets=20, rx_bytes=1000, tx_bytes=2000, rx_errors=3, tx_errors=4, rx_dropped=5,
        tx_dropped=6, rx_crc_errors=3,
    )  # fmt: skip
    # IFLA_CARRIER 33, IFLA_CARRIER_UP_COUNT 47, IFLA_CARRIER_DOWN_COUNT 48, IFLA_MASTER 10
    said = kernel.link(
        2, "eth0", counts, kernel.u8(33, 1), kernel.u32(47, 4), kernel.u32(48, 3), kernel.u32(10, 5)
    )
    assert interfaces_of(read(said)) == {
        2: Interface(
            index=2, name="eth0", master=5, carrier=True, carrier_changes=7, received_frames=10,
            sent_frames=20,
            received_octets=1000, sent_octets=2000, errors=7, dropped=11,
        )
    }  # fmt: skip


def test_what_an_old_kernel_does_not_tell_is_not_known() -> None:
    # Before 4.16 there is IFLA_CARRIER_CHANGES (35) alone; a kernel without it tells nothing.
    assert interfaces_of(read(kernel.link(2, "eth0", kernel.u32(35, 9))))[2].carrier_changes == 9
    assert interfaces_of(read(kernel.link(2, "eth0")))[2] == Interface(index=2, name="eth0")


def test_a_newer_kernel_may_say_more() -> None:
    more = kernel.attribute(23, struct.pack("=30Q", *range(30)))
    found = interfaces_of(read(kernel.link(2, "eth0", more, kernel.u32(16_000, 1))))[2]
    assert (found.received_frames, found.errors) == (0, 4 + 5)


def test_a_bridge_tells_behind_which_port_an_address_is() -> None:
    row = kernel.bridge_row(4, kernel.MAC)
    group = kernel.bridge_row(5, bytes.fromhex("01005e000001"))  # RFC 1112 6.4: a group's, which is nobody's
    assert bridge_ports(read(row + group)) == {"02:00:aa:00:bb:01": 4}


# -- ports (linux/ethtool_netlink.h; mode numbers of linux/ethtool.h)

HALF_100, FULL_100, FULL_1000, FULL_2500 = 2, 3, 5, 47


def modes(*attributes: bytes) -> PortModes:
    return modes_of(one(kernel.generic(4, *attributes)), "ethtool: eth0")


def test_a_gigabit_port_that_runs_at_a_tenth_with_a_partner_that_can_do_more() -> None:
    found = modes(
        kernel.u8(2, 1),  # ETHTOOL_A_LINKMODES_AUTONEG
        kernel.nest(3, kernel.bit_set(FULL_100, FULL_1000, mask=(FULL_100, FULL_1000, FULL_2500))),
        kernel.nest(4, kernel.bit_set(HALF_100, FULL_1000)),
        kernel.u32(5, 100),
        kernel.u8(6, 1),
    )
    assert found == PortModes(
        speed_bps=100e6, full_duplex=True, negotiated=True, able_bps=1e9, partner_able_bps=1e9
    )


def test_without_negotiation_what_the_port_can_do_counts() -> None:
    found = modes(kernel.u8(2, 0), kernel.nest(3, kernel.bit_set(FULL_100, mask=(FULL_100, FULL_2500))))
    assert (found.negotiated, found.able_bps, found.partner_able_bps) == (False, 2.5e9, None)


@pytest.mark.parametrize("speed", [0, 0xFFFF_FFFF])
def test_an_unknown_speed_or_duplex_is_not_known(speed: int) -> None:
    # SPEED_UNKNOWN is -1 and DUPLEX_UNKNOWN 0xff; 0 comes of ports without a link.
    assert modes(kernel.u32(5, speed), kernel.u8(6, 0xFF)) == PortModes()


def test_why_there_is_no_link() -> None:
    # ETHTOOL_A_LINKSTATE_LINK 2, EXT_STATE 5; ETHTOOL_LINK_EXT_STATE_NO_CABLE is 4.
    def state(*attributes: bytes) -> PortModes:
        return with_state(PortModes(), one(kernel.generic(6, *attributes)), "ethtool: eth0")

    assert state(kernel.u8(2, 0), kernel.u8(5, 4)) == PortModes(link=False, why_down="no cable")
    assert state(kernel.u8(2, 1)) == PortModes(link=True)
    assert state(kernel.u8(2, 0), kernel.u8(5, 200)).why_down == "state 200"


def test_a_set_of_modes_longer_than_its_octets_is_refused() -> None:
    with pytest.raises(OutsideError):
        modes(kernel.nest(3, kernel.u32(2, 96) + kernel.u32(4, 8)))


# -- octets of no form

SOUND = (
    kernel.link(2, "eth0", kernel.stats64(rx_packets=1), kernel.u8(33, 1)) + kernel.done(),
    kernel.generic(4, kernel.nest(3, kernel.bit_set(3, 5)), kernel.u32(5, 100)),
    kernel.station(kernel.s8(7, -61), kernel.rate(8, kernel.u32(5, 8667))),
    kernel.airtime(kernel.u32(1, 5180), kernel.attribute(3, b""), kernel.u64(4, 1000)),
)


@given(st.sampled_from(SOUND), st.integers(0, 300), st.integers(0, 255), st.integers(0, 300))
def test_damaged_and_truncated_messages_end_in_a_value_or_one_line(
    sound: bytes, at: int, octet: int, length: int
) -> None:
    damaged = bytearray(sound)
    damaged[at % len(sound)] = octet
    try:
        found = read(bytes(damaged[: max(length, 1)]))
        interfaces_of(found)
        for message in found:
            modes_of(message, "p")
            with_state(PortModes(), message, "p")
        radio_air.stations_of(found)
        radio_air.airtime_of(found)
    except WhichhopError as trouble:
        complained(trouble)


def test_questions_carry_the_interfaces_number() -> None:
    # ETHTOOL_A_LINKMODES_HEADER 1 with ETHTOOL_A_HEADER_DEV_INDEX 1 and _FLAGS 3; NL80211_ATTR_IFINDEX 3
    header = kernel.nest(1, kernel.u32(1, 4), kernel.u32(3, 1))
    assert port_modes.question(4, 4) == struct.pack("=BBH", 4, 1, 0) + header
    assert radio_air.question(17, 4) == struct.pack("=BBH", 17, 0, 0) + kernel.u32(3, 4)
