"""Numbers as modem pages write them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.wire.level_numbers import (
    parse_count,
    parse_frequency_hz,
    parse_level_dbmv,
    parse_modulation,
    parse_ratio_db,
    tidy,
)


@pytest.mark.parametrize(
    ("text", "hint", "dbmv"),
    [
        ("-1.2 dBmV", "", -1.2),
        ("−7,3 dBmV", "", -7.3),
        ("- 7.3 dBmV", "", -7.3),
        ("+3", "Power (dBmV)", 3.0),
        ("61.2", "Level (dBµV)", 1.2),
        ("45.0 dBmV / 105.0 dBuV", "", 45.0),
        ("105.0 dBµV (45.0 dBmV)", "", 45.0),
        ("-48.75 dBm", "", 0.0006),  # dBm + 48.7506
        ("٣٫٥ dBmV", "", 3.5),
        ("12", "", 12.0),
    ],
)
def test_levels_in_any_unit_and_script(text: str, hint: str, dbmv: float) -> None:
    assert parse_level_dbmv(text, hint) == pytest.approx(dbmv, abs=1e-3)


@pytest.mark.parametrize("text", ["-0.0 dBmV", "−0,0", "60.0 dBuV"])
def test_a_negative_zero_is_a_plain_zero(text: str) -> None:
    value = parse_level_dbmv(text)
    assert value is not None
    assert math.copysign(1.0, value) == 1.0
    assert value == 0.0


@pytest.mark.parametrize("text", ["", "--", "n/a", "garbled", "dBmV", "inf", "nan"])
def test_what_is_no_number_is_none(text: str) -> None:
    assert parse_level_dbmv(text) is None
    assert parse_ratio_db(text) is None
    assert parse_count(text) is None
    assert parse_frequency_hz(text) is None


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("1,234,567,890", 1_234_567_890),
        ("1.204", 1204),
        ("4 294 967", 4_294_967),
        ("4’294’968", 4_294_968),
        ("4\u202f294\u202f968", 4_294_968),
        ("12", 12),
        ("0", 0),
        ("18446744073709551615", 2**64 - 1),
        ("1.5e+09", 1_500_000_000),
        ("512 codewords", 512),
    ],
)
def test_counts_with_every_kind_of_thousands_separator(text: str, count: int) -> None:
    assert parse_count(text) == count


def test_a_negative_count_is_refused() -> None:
    assert parse_count("-5") is None


@pytest.mark.parametrize(
    ("text", "hint", "hz"),
    [
        ("561000000 Hz", "", 561_000_000),
        ("561 MHz", "", 561_000_000),
        ("602.000.000 Hz", "", 602_000_000),
        ("610,5 MHz", "", 610_500_000),
        ("474.0", "Frequency (MHz)", 474_000_000),
        ("561000", "Frequency (kHz)", 561_000_000),
        ("561000", "", 561_000_000),
        ("561000000", "", 561_000_000),
        ("36.5", "", 36_500_000),
        ("1.2 GHz", "", 1_200_000_000),
        ("751~860 MHz", "", 805_500_000),
        ("751 MHz - 860 MHz", "", 805_500_000),
        ("1,002,000,000", "", 1_002_000_000),
        ("5.61e8 Hz", "", 561_000_000),
    ],
)
def test_frequencies_in_any_unit(text: str, hint: str, hz: int) -> None:
    assert parse_frequency_hz(text, hint) == hz


def test_a_frequency_of_nought_is_none() -> None:
    assert parse_frequency_hz("0 Hz") is None


@pytest.mark.parametrize(
    ("text", "points"),
    [("QAM256", 256), ("256QAM", 256), ("64-QAM", 64), ("QAM 64", 64), ("QPSK", 4), ("4K-QAM", 4096),
     ("1K-QAM", 1024), ("256", 256), ("Unknown", None), ("Mixed", None), ("7", None), ("", None)],
)  # fmt: skip
def test_modulations(text: str, points: int | None) -> None:
    assert parse_modulation(text) == points


@given(st.integers(-999, 999), st.sampled_from([".", ","]), st.sampled_from(["-", "−", "–"]))
def test_tenths_come_back_from_any_minus_and_decimal_mark(tenths: int, mark: str, minus: str) -> None:
    sign = minus if tenths < 0 else ""
    text = f"{sign}{abs(tenths) // 10}{mark}{abs(tenths) % 10} dBmV"
    assert parse_level_dbmv(text) == pytest.approx(tenths / 10)


@given(st.integers(0, 2**64 - 1), st.sampled_from([",", ".", " ", "'", "\u00a0", "\u202f", "’"]))
def test_grouped_counts_come_back(count: int, separator: str) -> None:
    assert parse_count(f"{count:,}".replace(",", separator)) == count


@given(st.text(max_size=40))
def test_no_text_makes_a_parser_fail(text: str) -> None:
    for parse in (parse_level_dbmv, parse_ratio_db, parse_count, parse_frequency_hz, parse_modulation, tidy):
        parse(text)


@pytest.mark.parametrize(
    "cell", ["9" * 400, "9" * 5000, "1e999", "-1e999 dBmV", "9" * 400 + " MHz", "x" * 10**6]
)
def test_a_cell_that_holds_no_number_of_this_world_is_none(cell: str) -> None:
    # A double ends at 1.8e308 (IEEE 754), a 64-bit counter has 20 digits (RFC 2578, Counter64).
    for parse in (parse_level_dbmv, parse_ratio_db, parse_count, parse_frequency_hz, parse_modulation):
        assert parse(cell) is None


def test_a_count_past_a_counter64_is_none() -> None:
    assert parse_count("18446744073709551616") is None  # RFC 2578 7.1.10: a Counter64 ends at 2^64 - 1
