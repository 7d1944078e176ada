"""The table of rules: ranges, sources, and what is common practice."""

import pytest

from whichhop.cabling.rules import (
    PRACTICE,
    RULES,
    SNR_MINIMA,
    SNR_PREFERRED_DB,
    LevelStanding,
    snr_minimum,
    up_power_rule,
)
from whichhop.model import Carrier


def test_every_rule_names_its_source_and_what_a_breach_means() -> None:
    for name, rule in RULES.items():
        assert rule.name == name
        assert rule.source
        assert rule.low is not None or rule.high is not None
        assert bool(rule.when_low) == (rule.low is not None), name
        assert bool(rule.when_high) == (rule.high is not None), name
        assert rule.beyond in (LevelStanding.MARGINAL, LevelStanding.OUTSIDE, LevelStanding.IMPLAUSIBLE)


def test_downstream_power_good_practice_is_minus_7_to_7_and_the_specification_allows_15() -> None:
    practice, published = RULES["down-power-practice"], RULES["down-power-specification"]
    assert (practice.low, practice.high, practice.source) == (-7.0, 7.0, PRACTICE)
    # DOCSIS 3.0 physical layer specification, modem input level per channel (from memory)
    assert (published.low, published.high) == (-15.0, 15.0)
    assert published.source != PRACTICE
    assert published.stands(-15.0) is LevelStanding.FINE
    assert published.stands(-15.1) is LevelStanding.OUTSIDE
    assert practice.stands(7.1) is LevelStanding.MARGINAL


def test_snr_is_preferred_at_40_to_44_poor_under_36_and_implausible_over_47() -> None:
    # common practice
    assert SNR_PREFERRED_DB == (40.0, 44.0)
    assert RULES["snr-poor"].stands(35.9) is LevelStanding.MARGINAL
    assert RULES["snr-poor"].stands(36.0) is LevelStanding.FINE
    assert RULES["snr-implausible"].stands(47.1) is LevelStanding.IMPLAUSIBLE
    assert RULES["snr-poor"].source == RULES["snr-implausible"].source == PRACTICE


def test_the_least_snr_of_a_single_carrier_depends_on_modulation_and_power() -> None:
    # DOCSIS 3.0 physical layer specification 6.3.5, annex B (from memory)
    qam64, qam256 = snr_minimum(Carrier.SC_QAM, 64), snr_minimum(Carrier.SC_QAM, 256)
    assert qam64 is not None
    assert qam64.least_db == 23.5
    assert qam256 is not None
    assert (qam256.least_db, qam256.weak_db, qam256.weak_dbmv) == (30.0, 33.0, -6.0)


@pytest.mark.parametrize(
    ("modulation", "least"),
    # DOCSIS 3.1 physical layer specification, least carrier to noise at the modem, to 1 GHz (from memory)
    [(16, 15), (64, 21), (128, 24), (256, 27), (512, 30.5), (1024, 34), (2048, 37), (4096, 41)],
)
def test_the_least_snr_of_ofdm_by_order(modulation: int, least: float) -> None:
    row = snr_minimum(Carrier.OFDM, modulation)
    assert row is not None
    assert row.least_db == least


@pytest.mark.parametrize(
    ("modulation", "least"),
    # the same, at the provider's receiver for OFDMA (from memory)
    [(4, 11), (8, 14), (16, 17), (32, 20), (64, 23), (128, 26), (256, 29), (512, 32.5), (1024, 35.5),
     (2048, 39), (4096, 43)],
)  # fmt: skip
def test_the_least_snr_of_ofdma_by_order(modulation: int, least: float) -> None:
    row = snr_minimum(Carrier.OFDMA, modulation)
    assert row is not None
    assert row.least_db == least


def test_more_points_need_more_snr_everywhere() -> None:
    for carrier in (Carrier.SC_QAM, Carrier.OFDM, Carrier.OFDMA):
        rows = sorted((r for r in SNR_MINIMA if r.carrier is carrier), key=lambda r: r.modulation)
        needs = [r.least_db for r in rows]
        assert needs == sorted(needs)
        assert len(set(needs)) == len(needs)


def test_an_unknown_modulation_has_no_minimum() -> None:
    assert snr_minimum(Carrier.OFDM, None) is None


@pytest.mark.parametrize(
    ("channels", "modulation", "top"),
    # DOCSIS 3.0 physical layer specification 6.2.19, TDMA (from memory)
    [(1, 4, 61), (1, 16, 58), (1, 64, 57), (2, 64, 54), (3, 64, 51), (4, 16, 52), (8, 64, 51)],
)
def test_the_highest_transmit_level_falls_with_order_and_number_of_channels(
    channels: int, modulation: int, top: float
) -> None:
    rule = up_power_rule(channels, modulation)
    assert (rule.low, rule.high) == (17.0, top)


def test_an_unknown_modulation_gets_the_widest_transmit_range() -> None:
    assert up_power_rule(1, None).high == 61.0


def test_ranges_read_as_people_write_them() -> None:
    assert RULES["down-power-practice"].range_words == "-7 to +7 dBmV"
    assert RULES["up-power-practice"].range_words == "35 to 50 dBmV"
    assert RULES["snr-poor"].range_words == "at least 36 dB"
    assert RULES["down-spread"].range_words == "at most 10 dB"
