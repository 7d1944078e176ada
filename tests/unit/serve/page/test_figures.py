from datetime import UTC, datetime

import pytest

from support.bulletins import HOUR_NS, MINUTE_NS, NOW_NS
from whichhop.model.units import NS_PER_S
from whichhop.serve.page.figures import added, ago, clock, probability, rate, share, trip, when


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("bps", "words"),
    [
        (487e6, "487 Mbit/s"),
        (37.64e6, "37.6 Mbit/s"),
        (100e6, "100 Mbit/s"),
        (1e9, "1 Gbit/s"),
        (2.5e9, "2.5 Gbit/s"),
        (940_000, "940 kbit/s"),
        (0, "0 kbit/s"),
    ],
)
def test_a_rate_has_three_digits_and_a_decimal_prefix(bps: float, words: str) -> None:
    # Prefixes of the SI: k, M, G are powers of ten (ISO 80000-1).
    assert plain(rate(bps)) == words


def test_no_probability_is_shown_as_certain() -> None:
    assert [plain(probability(p)) for p in (0.0, 0.004, 0.01, 0.5, 0.99, 0.9901, 1.0)] == [
        "under 1 %",
        "under 1 %",
        "1 %",
        "50 %",
        "99 %",
        "over 99 %",
        "over 99 %",
    ]


def test_added_delay_has_a_sign_unless_it_rounds_to_nothing() -> None:
    assert [plain(added(s)) for s in (0.0284, 0.0, 0.000001, -0.0012)] == [
        "+28.4 ms",
        "0 ms",
        "0 ms",
        "-1.2 ms",
    ]


def test_a_round_trip_of_microseconds_is_not_shown_as_nothing() -> None:
    assert [plain(trip(s)) for s in (4e-6, 1e-5, 0.0187)] == ["under 0.01 ms", "0.01 ms", "18.7 ms"]


def test_an_instant_is_told_in_utc_with_its_day_when_that_is_not_today() -> None:
    now = datetime.fromtimestamp(NOW_NS / 1e9, UTC)
    assert clock(NOW_NS, NOW_NS) == f"{now:%H:%M}" == "18:04"
    assert clock(NOW_NS - 24 * HOUR_NS, NOW_NS) == "2026-02-28 18:04"


def test_a_span_carries_its_instants_for_machines_and_utc_beside_them() -> None:
    made = when(NOW_NS - HOUR_NS, NOW_NS, NOW_NS)
    assert '<time datetime="2026-03-01T17:04:05Z">17:04</time> to ' in made
    assert 'data-said="17:04 to 18:04 UTC">UTC<' in made


def test_a_length_changes_once_a_minute_from_one_minute_on() -> None:
    lengths = (-5 * NS_PER_S, 41 * NS_PER_S, 119 * NS_PER_S, 61 * MINUTE_NS)
    assert [ago(NOW_NS - length, NOW_NS) for length in lengths] == ["0 s", "41 s", "1 min", "1 h 1 min"]


def test_a_share_is_in_whole_percent() -> None:
    assert plain(share(212 / 500)) == "42 %"
