"""Nominal and usable rates against the standards' own arithmetic."""

import pytest

from whichhop.cabling import rates


def test_ethernet_leaves_94_percent_for_tcp() -> None:
    # IEEE 802.3: preamble 8, header 14, check 4, gap 12; IPv4 20, TCP with time stamps 32 (RFC 7323)
    payload = 1500 - 20 - 32
    wire = 8 + 14 + 1500 + 4 + 12
    assert rates.ethernet_bps(1e9) == pytest.approx(1e9 * payload / wire)
    assert rates.ethernet_bps(1e9) == pytest.approx(941.5e6, rel=1e-3)


def test_a_downstream_channel_carries_less_than_its_modulation_can() -> None:
    # ITU-T J.83 (from memory): annex B 5.360537 Msym/s, 256-QAM, 38.81 Mbit/s of frames;
    # annex A 6.952 Msym/s with a (204,188) code
    annex_b, annex_a = 38.81e6, 6.952e6 * 8 * 188 / 204
    assert annex_a == pytest.approx(51.25e6, rel=1e-3)
    assert 0.94 * annex_b < rates.DOWN_CHANNEL_BPS[6] < annex_b * 184 / 188
    assert 0.94 * annex_a < rates.DOWN_CHANNEL_BPS[8] <= annex_a * 184 / 188


def test_an_upstream_channel_carries_less_than_its_symbols() -> None:
    # DOCSIS 2.0: 6.4 MHz wide, 5.12 Msym/s, 64-QAM: 30.72 Mbit/s raw
    assert pytest.approx(0.9 * 30.72e6, rel=0.1) == rates.UP_CHANNEL_BPS


def test_ofdm_stays_under_12_bits_a_hertz_and_a_192_mhz_block_carries_1_6_gb() -> None:
    # 4096-QAM holds 12 bits a subcarrier before any overhead; common practice: 1.6 Gb/s and more
    assert rates.OFDM_BPS_PER_HZ < 12
    assert pytest.approx(1.6e9, rel=0.05) == rates.OFDM_BPS_PER_HZ * 192e6


@pytest.mark.parametrize(
    ("generation", "width", "subcarriers", "bits", "rate", "symbol_us"),
    # IEEE 802.11: data subcarriers x bits x code rate / symbol time with the shortest guard interval
    [
        ("802.11n", 40, 108, 6, 5 / 6, 3.6),
        ("802.11ac", 80, 234, 8, 5 / 6, 3.6),
        ("802.11ac", 160, 468, 8, 5 / 6, 3.6),
        ("802.11ax", 80, 980, 10, 5 / 6, 13.6),
        ("802.11ax", 160, 1960, 10, 5 / 6, 13.6),
        ("802.11be", 160, 1960, 12, 5 / 6, 13.6),
        ("802.11be", 320, 3920, 12, 5 / 6, 13.6),
    ],
)
def test_a_radio_streams_link_rate_follows_from_its_symbols(
    generation: str, width: int, subcarriers: int, bits: int, rate: float, symbol_us: float
) -> None:
    expected = subcarriers * bits * rate / (symbol_us * 1e-6)
    assert rates.RADIO_STREAM_BPS[generation, width] == pytest.approx(expected, rel=1e-3)


def test_adapters_deliver_far_less_than_their_name_says() -> None:
    # common practice; the number in the name is the nominal Mbit/s
    for name, usual in rates.ADAPTERS.items():
        nominal = float(name.rpartition("-")[2]) * 1e6
        assert usual.low_bps < usual.high_bps < nominal
        if name.startswith("power-line"):
            assert usual.high_bps <= 0.31 * nominal
