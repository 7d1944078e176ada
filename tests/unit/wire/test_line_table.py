"""DSL margins and rates, and a fibre terminal's light, out of pages of our own making."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.model import Direction, DslLine
from whichhop.wire.html_tables import html_tables
from whichhop.wire.level_columns import ColumnMap, LineFacts, parse_rate_bps, read_line
from whichhop.wire.modem_table import read_page

PAGES = Path(__file__).parents[2] / "data" / "pages"


def read(text: str) -> LineFacts:
    return read_line(html_tables(text), ColumnMap())


def test_a_dsl_page_with_a_column_a_direction() -> None:
    found = read_page((PAGES / "dsl.html").read_text())
    assert found.channels == ()
    assert found.dsl == (
        DslLine(
            direction=Direction.DOWN,
            margin_db=9.1,
            attenuation_db=21.5,
            rate_bps=51_392_000.0,
            attainable_bps=78_456_000.0,
        ),
        DslLine(direction=Direction.UP, margin_db=6.0, rate_bps=10_240_000.0, attainable_bps=12_800_000.0),
    )


def test_a_page_with_the_direction_in_each_label() -> None:
    text = "<table><tr><td>Downstream SNR margin<td>7.5 dB<tr><td>Upstream speed<td>9.8 Mbit/s</table>"
    assert read(text).dsl() == (
        DslLine(direction=Direction.DOWN, margin_db=7.5),
        DslLine(direction=Direction.UP, rate_bps=9_800_000.0),
    )


def test_a_fibre_page_gives_the_light_received_and_not_the_light_sent() -> None:
    assert read_page((PAGES / "fibre.html").read_text()).receive_dbm == -18.4


def test_a_cable_modems_receive_power_is_no_light() -> None:
    assert read("<table><tr><td>Receive power level<td>3.1 dBmV</table>").receive_dbm is None


def test_cable_pages_have_no_dsl_lines() -> None:
    for name in ("rows", "sideways", "nested", "ofdm", "half"):
        found = read_page((PAGES / f"{name}.html").read_text())
        assert (found.dsl, found.receive_dbm) == ((), None)


@pytest.mark.parametrize(
    ("text", "hint", "rate"),
    [
        ("51392", "", 51_392_000.0),
        ("51.392", "rate (kbps)", 51_392_000.0),
        ("100.2 Mbps", "", 100_200_000.0),
        ("1.2 Gbit/s", "", 1_200_000_000.0),
        ("12,5", "rate (Mbit/s)", 12_500_000.0),
        ("640 bps", "", 640.0),
        ("--", "", None),
    ],
)
def test_rates_in_any_unit(text: str, hint: str, rate: float | None) -> None:
    assert parse_rate_bps(text, hint) == rate


@given(st.text(max_size=60))
def test_no_text_makes_it_fail(text: str) -> None:
    parse_rate_bps(text, text)
    read(f"<table><tr><td>{text}<td>{text}</table>")
