"""Readings over time, the cable run and losses on the line, to one explanation."""

import math

import numpy as np

from support.channels import down, reading
from whichhop.cabling.explain import explain_line, lost_codewords, timing_of
from whichhop.model import Cause, ModemLevels, Owner, Verdict
from whichhop.model.cable_run import Cable, CableKind, Run, Splitter

MINUTE = 60.0
RUN = Run(tap_dbmv={100e6: 10.0}, parts=(Cable(kind=CableKind.RG_6, length_m=20.0), Splitter(ways=2)))
UPSTREAM = Verdict(
    cause=Cause.UPSTREAM_LINK, elements=("modem/provider-edge",), probability=0.99, start_ns=0, end_ns=None
)


def history(lost: list[int], power: float = 1.0) -> list[ModemLevels]:
    """A reading a minute; `lost` codewords counted in each minute by each of two channels."""
    totals = np.concatenate([[0], np.cumsum(lost)])
    return [
        reading(
            [
                down(i, power_dbmv=power, unerrored=2_000_000 * m, corrected=0, uncorrectable=int(total))
                for i in (1, 2)
            ],
            m * MINUTE,
        )
        for m, total in enumerate(totals)
    ]


def ns(minute: float) -> int:
    return round(minute * MINUTE * 1e9)


def test_lost_codewords_of_all_channels_are_summed() -> None:
    assert lost_codewords(history([0, 5, 0])) == [0.0, 10.0, 0.0]


def test_a_restart_is_no_burst() -> None:
    some = history([0, 5, 0])
    restarted = [*some[:2], reading([down(1, unerrored=10, corrected=0, uncorrectable=0)], 120.0)]
    assert lost_codewords(restarted)[0] == 0.0
    worse = [some[3], reading([down(1, unerrored=10, corrected=0, uncorrectable=3)], 300.0)]
    assert math.isnan(lost_codewords(worse)[0])


def bad_hour() -> tuple[list[int], list[tuple[int, int]]]:
    """Two hours with bursts in seven minutes, and loss in the same minutes."""
    minutes = [7, 21, 22, 48, 70, 95, 103]
    lost = [4000 if m in minutes else 0 for m in range(120)]
    return lost, [(ns(m + 0.2), ns(m + 0.7)) for m in minutes]


def test_bursts_and_losses_of_the_same_minutes_are_tied() -> None:
    lost, losses = bad_hour()
    timing = timing_of(history(lost), losses)
    assert timing.p_value is not None
    assert timing.p_value < 0.01
    # seven episodes of half a minute each
    assert timing.loss_s == 210.0
    assert timing.matched_s == 210.0


def test_too_short_a_history_says_so() -> None:
    assert timing_of([], []).p_value is None
    assert "reading intervals" in timing_of(history([1]), [(0, 1)]).why


def test_a_weak_level_that_the_listed_parts_do_not_explain_is_the_coax_in_the_house() -> None:
    lost, losses = bad_hour()
    found = explain_line(UPSTREAM, history(lost, power=-17.0), RUN, losses)
    assert found is not None
    assert found.sentence == "access line, and the coax in the house explains it"
    assert found.whose is Owner.HOME
    assert "fall together with the loss" in found.reasons[0]


def test_a_clean_modem_leaves_the_line_to_the_provider() -> None:
    found = explain_line(UPSTREAM, history([0] * 10, power=3.0), RUN)
    assert found is not None
    assert found.sentence == "access line with clean levels"
    assert found.whose is Owner.PROVIDER


def test_a_weak_start_is_the_providers() -> None:
    weak = Run(tap_dbmv={100e6: -9.0}, parts=RUN.parts)
    found = explain_line(UPSTREAM, history([0] * 10, power=-15.5), weak)
    assert found is not None
    assert "enters the house already" in found.sentence


def test_without_a_reading_nothing_is_ruled_out() -> None:
    found = explain_line(UPSTREAM, [])
    assert found is not None
    assert "not known" in found.sentence
