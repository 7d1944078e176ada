"""Readings against the rules: each channel, and the whole."""

import numpy as np
import pytest

from support.channels import down, reading, up
from whichhop.cabling.judge_levels import LevelFinding, judge, judge_channels
from whichhop.cabling.rules import LevelStanding
from whichhop.model import Carrier, Channel


def finding(channels: list[Channel], rule: str, about: str | None = None) -> LevelFinding:
    found = [f for f in judge_channels(channels).findings if f.rule == rule and about in (None, f.about)]
    assert len(found) == 1, [f.rule for f in judge_channels(channels).findings]
    return found[0]


def test_a_healthy_modem_is_fine_throughout() -> None:
    judgement = judge_channels([*(down(i) for i in range(1, 9)), *(up(i) for i in (1, 2, 3, 4))])
    assert judgement.standing is LevelStanding.FINE
    assert judgement.troubles == ()


@pytest.mark.parametrize(
    ("power", "practice", "published"),
    [
        (0.0, LevelStanding.FINE, LevelStanding.FINE),
        (-7.0, LevelStanding.FINE, LevelStanding.FINE),
        (-9.9, LevelStanding.MARGINAL, LevelStanding.FINE),
        (-15.3, LevelStanding.MARGINAL, LevelStanding.OUTSIDE),
        (12.0, LevelStanding.MARGINAL, LevelStanding.FINE),
        (15.1, LevelStanding.MARGINAL, LevelStanding.OUTSIDE),
    ],
)
def test_downstream_power_by_practice_and_specification(
    power: float, practice: LevelStanding, published: LevelStanding
) -> None:
    channels = [down(power_dbmv=power)]
    assert finding(channels, "down-power-practice").standing is practice
    assert finding(channels, "down-power-specification").standing is published


def test_a_finding_says_value_range_source_and_meaning_in_one_line() -> None:
    words = finding([down(5, power_dbmv=-17.5)], "down-power-specification").words
    assert words.startswith("down-5: downstream power -17.5 dBmV, not -15 to +15 dBmV (DOCSIS 3.0")
    assert "splitters" in words
    assert "\n" not in words


def test_256_qam_needs_3_db_more_below_minus_6_dbmv() -> None:
    # DOCSIS 3.0 physical layer specification 6.3.5 (from memory): 30 dB, and 33 dB below -6 dBmV
    assert finding([down(mer_db=31.0, power_dbmv=-6.0)], "snr-minimum").standing is LevelStanding.FINE
    assert finding([down(mer_db=31.0, power_dbmv=-6.1)], "snr-minimum").standing is LevelStanding.OUTSIDE


def test_an_snr_passable_but_not_preferred_says_so() -> None:
    found = finding([down(mer_db=38.0)], "snr-poor")
    assert found.standing is LevelStanding.FINE
    assert "40 to 44 dB is preferred" in found.words


def test_a_receive_snr_over_47_db_is_doubted() -> None:
    assert judge_channels([down(mer_db=55.0)]).standing is LevelStanding.IMPLAUSIBLE


def test_upstream_is_judged_by_the_number_of_channels_sent_at_once() -> None:
    one = finding([up(power_dbmv=53.0)], "up-power-specification")
    four = [up(i, power_dbmv=53.0) for i in (1, 2, 3, 4)]
    assert one.standing is LevelStanding.FINE  # top 57 dBmV for one 64-QAM channel
    assert (
        finding(four, "up-power-specification", "up-1").standing is LevelStanding.OUTSIDE
    )  # top 51 for four
    assert finding([up(power_dbmv=53.0)], "up-power-practice").standing is LevelStanding.MARGINAL


def test_an_unlocked_channel_among_locked_ones_is_partial_service() -> None:
    found = finding([down(1), down(2, locked=False), down(3)], "partial-service")
    assert found.standing is LevelStanding.OUTSIDE
    assert found.value == 1.0
    assert "down-2" in found.words


def test_a_place_that_the_provider_does_not_use_is_not_partial_service() -> None:
    unused = down(0, locked=False, frequency_hz=None, power_dbmv=0.0, mer_db=0.0)
    assert judge_channels([down(1), unused]).standing is LevelStanding.FINE


def test_no_locked_channel_at_all_is_no_service() -> None:
    judgement = judge_channels([down(1, locked=False), down(2, locked=False)])
    assert [f.rule for f in judgement.findings] == ["no-service"]


def test_a_channel_whose_lock_is_unknown_is_not_accused() -> None:
    assert judge_channels([down(1, locked=None), down(2, locked=None)]).standing is LevelStanding.FINE


def test_spread_and_neighbours_step() -> None:
    powers = [3.0, 2.5, -1.5, 2.0]  # spread 4.5 dB; steps 0.5, 4.0 and 3.5 dB
    channels = [down(i, power_dbmv=p) for i, p in enumerate(powers, 1)]
    spread = finding(channels, "down-spread")
    assert spread.value == pytest.approx(4.5)
    assert spread.standing is LevelStanding.FINE
    step = finding(channels, "down-step")
    assert step.value == pytest.approx(4.0)
    assert step.standing is LevelStanding.MARGINAL


def test_channels_far_apart_are_not_neighbours() -> None:
    channels = [down(1, power_dbmv=0.0, frequency_hz=150_000_000), down(2, power_dbmv=-6.0)]
    assert "down-step" not in [f.rule for f in judge_channels(channels).findings]


def test_tilt_is_the_least_squares_slope_across_the_band() -> None:
    generator = np.random.default_rng(7)
    freqs = [150e6 + 40e6 * i for i in range(16)]
    powers = [5.0 - 12.0 * (f - freqs[0]) / 600e6 + generator.normal(0, 0.4) for f in freqs]
    channels = [
        down(i, power_dbmv=p, frequency_hz=round(f))
        for i, (f, p) in enumerate(zip(freqs, powers, strict=True))
    ]
    found = finding(channels, "down-tilt")
    # against numpy's own least squares
    slope = np.polyfit(freqs, powers, 1)[0] * (freqs[-1] - freqs[0])
    assert found.value == pytest.approx(slope, abs=1e-6)
    assert found.standing is LevelStanding.MARGINAL


def test_upstream_channels_beyond_the_window_of_12_db_are_outside() -> None:
    # MULPIv3.0 8.3.3: a dynamic range window of 12 dB
    channels = [up(1, power_dbmv=36.0), up(2, power_dbmv=48.5)]
    assert finding(channels, "up-spread-specification").standing is LevelStanding.OUTSIDE
    assert finding([up(1, power_dbmv=36.0), up(2, power_dbmv=44.0)], "up-spread-practice").standing is (
        LevelStanding.MARGINAL
    )


def test_many_carrier_channels_do_not_enter_the_spread_of_single_ones() -> None:
    ofdm = down(9, carrier=Carrier.OFDM, power_dbmv=-12.0, modulation=None)
    assert finding([down(1), down(2), ofdm], "down-spread").value == 0.0


def test_codewords_are_judged_on_what_was_lost_between_the_readings() -> None:
    before = reading([down(1, unerrored=10**9, corrected=0, uncorrectable=10**6)], 0)
    after = reading([down(1, unerrored=10**9 + 990_000, corrected=0, uncorrectable=10**6 + 10_000)], 300)
    judgement = judge(after, before)
    felt = next(f for f in judgement.findings if f.rule == "uncorrectable-felt")
    assert felt.value == pytest.approx(0.01)
    assert felt.count == 1_000_000
    assert felt.standing is LevelStanding.OUTSIDE


def test_a_raw_total_alone_is_never_judged() -> None:
    alone = judge(reading([down(1, unerrored=1000, corrected=0, uncorrectable=10**6)]))
    assert not any("uncorrectable" in f.rule for f in alone.findings)
    assert alone.standing is LevelStanding.FINE


def test_a_stalled_counter_leaves_the_ratio_unknown() -> None:
    channel = down(1, unerrored=5, corrected=0, uncorrectable=0)
    judgement = judge(reading([channel], 60), reading([channel], 0))
    assert [f.words for f in judgement.findings if f.standing is LevelStanding.UNKNOWN] == [
        "down-1: codeword ratio unknown, no codeword was counted between the readings"
    ]


def test_ranging_timeouts_are_judged_by_the_hour() -> None:
    before = reading([up(1, t3_timeouts=4, t4_timeouts=0)], 0)
    after = reading([up(1, t3_timeouts=10, t4_timeouts=1)], 7200)
    rates = {f.rule: f for f in judge(after, before).findings if f.rule in ("t3-rate", "t4-rate")}
    assert rates["t3-rate"].value == pytest.approx(3.0)
    assert rates["t3-rate"].standing is LevelStanding.MARGINAL
    assert rates["t4-rate"].standing is LevelStanding.OUTSIDE


def test_nothing_to_judge_is_unknown_and_not_fine() -> None:
    assert judge_channels([]).standing is LevelStanding.UNKNOWN


def test_the_worst_comes_first() -> None:
    judgement = judge_channels([down(1, mer_db=35.0), down(2, power_dbmv=-20.0)])
    weights = [f.standing.weight for f in judgement.findings]
    assert weights == sorted(weights, reverse=True)
    assert judgement.standing is LevelStanding.OUTSIDE
