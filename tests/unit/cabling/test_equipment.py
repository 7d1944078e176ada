"""Which box is the narrow link, and what one upgrade would open."""

import math

import pytest

from support.channels import down, reading, up
from support.homes import alder
from whichhop.cabling.equipment import bonded, ceilings, narrowest, on_the_way, role_words, upgrades
from whichhop.model import PROVIDER_EDGE, Carrier, Direction
from whichhop.model.cable_run import Adapter, Box, Docsis, LineKind, Radio, RadioKind

OLD_MODEM = Box(node="modem", roles=("modem",), docsis=Docsis(down_channels=8, up_channels=4), port_bps=1e9)
SLOW_SWITCH = Box(node="switch", roles=("switch",), port_bps=100e6)


def test_eight_channels_stay_under_a_500_mb_plan() -> None:
    # by hand: 8 x 37 = 296 Mbit/s down, 4 x 26 = 104 up
    cable = ceilings(OLD_MODEM)[0]
    assert (cable.down_bps, cable.up_bps) == (296e6, 104e6)


def test_ofdm_adds_to_the_single_carriers() -> None:
    # by hand: 32 x 37 + 192 x 8.5 = 1184 + 1632 = 2816 Mbit/s
    box = Box(node="modem", docsis=Docsis(down_channels=32, up_channels=8, ofdm_mhz=192, ofdma_mhz=96))
    assert ceilings(box)[0].down_bps == pytest.approx(2816e6)
    assert ceilings(box)[0].up_bps == pytest.approx((8 * 26 + 96 * 7) * 1e6)


def test_a_repeating_radio_leaves_half() -> None:
    # by hand: 2 x 433.3 x 0.6 = 519.96; halved 259.98
    plain = ceilings(Box(node="attic", radio=Radio(generation=RadioKind.AC)))[0]
    shared = ceilings(Box(node="attic", radio=Radio(generation=RadioKind.AC, shared_backhaul=True)))[0]
    assert plain.down_bps == pytest.approx(519.96e6)
    assert shared.down_bps == pytest.approx(259.98e6)


def test_an_adapter_gives_its_usual_range() -> None:
    row = ceilings(Box(node="garage", adapter=Adapter.POWER_LINE_1200))[0]
    assert (row.usual_bps, row.down_bps) == (80e6, 250e6)
    assert "both directions together" in row.basis


def test_a_dsl_line_has_its_standards_best_case() -> None:
    row = ceilings(Box(node="modem", line=LineKind.VDSL2_17A))[0]
    assert (row.down_bps, row.up_bps) == (100e6, 40e6)


def test_one_upgrade_opens_only_to_the_next_narrow_link() -> None:
    every = [*ceilings(OLD_MODEM), *ceilings(SLOW_SWITCH)]
    found = {u.part: u for u in upgrades(every, 500e6, 40e6)}
    switch = found["Ethernet port 100 Mbit/s"]
    assert switch.after_down_bps == 296e6
    assert switch.next_narrow == "modem's cable channels"
    modem = found["cable channels"]
    assert modem.after_down_bps == modem.before_down_bps
    assert "change nothing alone" in modem.words
    assert "switch's Ethernet port 100 Mbit/s stays the narrow link" in modem.words


def test_what_is_wide_enough_needs_no_upgrade() -> None:
    assert upgrades(ceilings(OLD_MODEM), 200e6, 40e6) == ()


def test_the_plan_is_the_last_narrow_link() -> None:
    (one,) = upgrades(ceilings(SLOW_SWITCH), 500e6, 40e6)
    assert one.next_narrow == "the plan"
    assert one.after_down_bps == 500e6


def test_without_a_plan_the_narrowest_is_named() -> None:
    every = [*ceilings(OLD_MODEM), *ceilings(SLOW_SWITCH)]
    assert [u.node for u in upgrades(every, None, None)] == ["switch"]
    lone = upgrades(ceilings(SLOW_SWITCH), None, None)
    assert math.isinf(lone[0].after_down_bps)
    assert "no limit" in lone[0].words


def test_no_box_no_upgrade() -> None:
    assert upgrades([], 500e6, 40e6) == ()
    assert narrowest([], Direction.DOWN) is None


def test_a_modems_own_reading_tells_what_it_bonds() -> None:
    levels = reading(
        [
            down(1),
            down(2, locked=False),
            down(33, carrier=Carrier.OFDM, width_hz=190_000_000),
            up(1),
            up(6, carrier=Carrier.OFDMA, width_hz=None),
        ]
    )
    assert bonded(levels) == Docsis(down_channels=1, up_channels=1, ofdm_mhz=190.0, ofdma_mhz=40.0)


def test_only_the_sides_of_a_box_that_packets_pass_hold_them() -> None:
    home = alder("kind: backhaul, medium: radio", "kind: backhaul, medium: power-line")
    path = home.path("desk", PROVIDER_EDGE)
    assert path is not None
    boxes = {
        "attic": Box(
            node="attic",
            radio=Radio(generation=RadioKind.AC),
            adapter=Adapter.POWER_LINE_500,
            port_bps=100e6,
        ),
        "router": Box(node="router", port_bps=1e9, radio=Radio(generation=RadioKind.N, width_mhz=20)),
        "modem": OLD_MODEM,
    }
    met = [(c.node, c.part) for c in on_the_way(path, boxes)]
    # the attic's own port and the router's radio carry none of the desk's packets
    assert met == [
        ("attic", "radio 802.11ac"),
        ("attic", "adapter power-line-500"),
        ("router", "Ethernet port 1000 Mbit/s"),
        ("modem", "Ethernet port 1000 Mbit/s"),
        ("modem", "cable channels"),
    ]


def test_an_all_in_one_box_is_told_from_separate_ones() -> None:
    words = role_words(Box(node="box", roles=("modem", "router", "access point")))
    assert "modem, router and access point in one" in words
    assert "bridge mode" in words
    assert role_words(OLD_MODEM) == ""
