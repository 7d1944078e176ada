"""Which generation a plan needs, against the standards' own figures; when equipment of one's own pays."""

import pytest

from whichhop.cabling.rates import months_to_pay, needed
from whichhop.model import Medium, Plan


def names(down_mbps: float, up_mbps: float, medium: Medium | None) -> list[str | None]:
    plan = Plan(down_bps=round(down_mbps * 1e6), up_bps=round(up_mbps * 1e6))
    return [n.name for n in needed(plan, medium)]


@pytest.mark.parametrize(
    ("down", "up", "modem"),
    [
        # ITU-T J.83 annex B: a 6 MHz channel at 256-QAM carries 38.81 Mbit/s of MPEG frames; eight, 310.
        (250, 25, "DOCSIS 3.0 with 8x4 channels"),
        (500, 40, "DOCSIS 3.0 with 24x8 channels"),
        # 24 such channels carry 931 Mbit/s: a plan of 1,000 needs OFDM (ITU-T J.225).
        (1000, 50, "DOCSIS 3.1"),
        # 8 channels of 64-QAM at 5.12 Msym/s are 246 Mbit/s upstream at most.
        (300, 300, "DOCSIS 3.1"),
        (2000, 2000, "DOCSIS 4.0"),
        (20_000, 1000, None),
    ],
)
def test_a_cable_plan_gets_the_oldest_generation_that_carries_it(
    down: float, up: float, modem: str | None
) -> None:
    assert names(down, up, Medium.CABLE)[0] == modem


@pytest.mark.parametrize(
    ("down", "up", "medium", "line"),
    [
        # Profiles' best cases: ITU-T G.992.5 24/1.4, G.993.2 17a 100/40, 35b 300/50 Mbit/s.
        (16, 1, Medium.DSL, "adsl2+"),
        (50, 10, Medium.DSL, "vdsl2-17a"),
        (250, 40, Medium.DSL, "vdsl2-35b"),
        (500, 40, Medium.DSL, None),
        # ITU-T G.984: 2.488/1.244 Gbit/s; G.9807.1: 9.953 both ways.
        (1000, 1000, Medium.FIBRE, "gpon"),
        (1000, 1200, Medium.FIBRE, "xgs-pon"),
    ],
)
def test_a_line_of_another_kind_too(down: float, up: float, medium: Medium, line: str | None) -> None:
    assert names(down, up, medium)[0] == line


def test_ports_and_wifi_carry_the_larger_direction() -> None:
    assert names(100, 20, None) == ["100 Mbit/s", "Wi-Fi 4 (802.11n), 2 streams at 40 MHz"]
    assert names(20, 1000, None)[0] == "1000 Mbit/s"
    # 2 x 600.5 Mbit/s at 80 MHz (IEEE 802.11ax) x 0.6 = 720
    assert names(600, 20, None)[1] == "Wi-Fi 6 (802.11ax), 2 streams at 80 MHz"
    assert names(9000, 20, None)[1] is None


@pytest.mark.parametrize(
    ("price", "rental", "months"),
    [(180, 14, 13), (180, 15, 12), (179.99, 15, 12), (1, 100, 1), (0.3, 0.1, 3)],
)
def test_months_until_it_pays_are_counted_up(price: float, rental: float, months: int) -> None:
    assert months_to_pay(price, rental) == months


@pytest.mark.parametrize(("price", "rental"), [(0, 1), (1, 0), (-1, 1), (float("nan"), 1), (1, float("inf"))])
def test_no_money_is_refused(price: float, rental: float) -> None:
    with pytest.raises(ValueError, match="positive"):
        months_to_pay(price, rental)
