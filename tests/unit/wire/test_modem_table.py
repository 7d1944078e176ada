"""Modem pages of our own making, in several shapes, to channels."""

import contextlib
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.errors import DataError
from whichhop.model import Carrier, Channel, Direction
from whichhop.model.levels_source import Fact
from whichhop.wire.level_columns import ColumnMap
from whichhop.wire.modem_table import TableReading, read_page

PAGES = Path(__file__).parents[2] / "data" / "pages"
FOREIGN = ColumnMap(
    headings={
        Fact.INDEX: "Kanal",
        Fact.FREQUENCY: "Frequenz",
        Fact.POWER: "Pegel",
        Fact.SNR: "Störabstand",
        Fact.LOCKED: "Verriegelt",
        Fact.UNERRORED: "Fehlerfrei",
        Fact.CORRECTED: "Behebbar",
        Fact.UNCORRECTABLE: "Nicht behebbar",
    },
    down="Empfang",
    up="Senden",
    locked=("verriegelt",),
)


def page(name: str, names: ColumnMap | None = None) -> TableReading:
    return read_page((PAGES / name).read_text(encoding="utf-8"), names, name)


def by_name(found: TableReading) -> dict[str, Channel]:
    return {c.name: c for c in found.channels}


def test_one_row_a_channel_under_a_spanning_title() -> None:
    found = page("rows.html")
    rows = by_name(found)
    assert list(rows) == ["down-21", "down-22", "down-0", "up-3", "up-4"]
    assert rows["down-21"] == Channel(
        direction=Direction.DOWN,
        channel_id=21,
        carrier=Carrier.SC_QAM,
        frequency_hz=561_000_000,
        modulation=256,
        locked=True,
        power_dbmv=-1.2,
        mer_db=40.9,
        corrected=112,
        uncorrectable=7,
    )
    assert str(rows["down-22"].power_dbmv) == "0.0"
    assert rows["down-0"].locked is False
    assert rows["down-0"].frequency_hz is None
    assert (rows["up-3"].carrier, rows["up-4"].carrier) == (Carrier.ATDMA, Carrier.TDMA)
    assert rows["up-3"].power_dbmv == 44.5
    assert found.remarks == ()


def test_one_column_a_channel_with_codewords_in_another_table() -> None:
    rows = by_name(page("sideways.html"))
    assert list(rows) == ["down-5", "down-6", "down-7", "up-2", "up-3"]
    assert rows["down-7"] == Channel(
        direction=Direction.DOWN,
        channel_id=7,
        carrier=Carrier.SC_QAM,
        frequency_hz=615_000_000,
        modulation=64,
        power_dbmv=-8.0,
        mer_db=36.0,
        unerrored=1_200_000_000,
        corrected=88_001,
        uncorrectable=4096,
    )
    assert (rows["up-2"].locked, rows["up-3"].locked) == (True, False)


def test_nested_tables_with_units_in_the_headings() -> None:
    rows = by_name(page("nested.html"))
    assert list(rows) == ["down-1", "down-2", "up-1"]
    assert rows["down-1"].power_dbmv == pytest.approx(1.2)
    assert rows["down-1"].frequency_hz == 474_000_000
    assert rows["up-1"].power_dbmv == pytest.approx(45.0)


def test_a_foreign_page_by_a_column_map() -> None:
    found = page("foreign.html", FOREIGN)
    rows = by_name(found)
    assert rows["down-1"] == Channel(
        direction=Direction.DOWN,
        channel_id=1,
        carrier=Carrier.SC_QAM,
        frequency_hz=602_000_000,
        locked=True,
        power_dbmv=-7.3,
        mer_db=38.1,
        unerrored=4_294_967,
        corrected=1204,
        uncorrectable=12,
    )
    assert str(rows["down-2"].power_dbmv) == "0.0"
    assert rows["down-2"].unerrored == 4_294_968
    assert rows["down-3"].locked is False
    assert rows["down-3"].power_dbmv is None
    assert rows["up-1"].power_dbmv == 46.3
    assert found.remarks == ()


def test_many_carrier_channels_are_kept_apart_from_single_ones_of_the_same_id() -> None:
    rows = by_name(page("ofdm.html"))
    assert list(rows) == ["down-33", "down-ofdm-33", "up-1", "up-ofdma-25"]
    # the total counts all three kinds: 10000 - 8 - 2
    assert rows["down-33"].unerrored == 9990
    assert rows["down-ofdm-33"].frequency_hz == 805_500_000
    assert rows["up-ofdma-25"].modulation == 1024
    assert (rows["up-1"].t3_timeouts, rows["up-1"].t4_timeouts) == (3, 0)


def test_half_a_table_gives_what_it_has_and_says_what_it_has_not() -> None:
    found = page("half.html")
    rows = by_name(found)
    assert rows["down-1"].mer_db == 40.1
    assert rows["down-2"].mer_db is None
    assert rows["down-3"].power_dbmv is None
    assert rows["down-3"].mer_db == 40.0
    assert any("'garbled' under 'Power' is not a level; left out" in r for r in found.remarks)


@pytest.mark.parametrize("name", ["garbage.html", "empty"])
def test_a_page_without_channels_is_one_clear_line(name: str) -> None:
    text = "" if name == "empty" else (PAGES / name).read_text()
    with pytest.raises(DataError) as caught:
        read_page(text, source="http://192.0.2.254/status")
    line = str(caught.value)
    assert line.startswith("http://192.0.2.254/status: no table of channels found")
    assert "columns" in line
    assert "\n" not in line


def test_a_foreign_page_without_a_map_shows_its_headings_in_the_line() -> None:
    with pytest.raises(DataError, match="Fehlerfrei"):
        read_page("<table><tr><th>Kanal<th>Pegel<th>Fehlerfrei<tr><td>1<td>2<td>3</table>")


def test_a_missing_column_is_just_unknown() -> None:
    text = "<h2>Downstream</h2><table><tr><th>Channel ID<th>Frequency<tr><td>1<td>501 MHz</table>"
    (channel,) = read_page(text).channels
    assert (channel.power_dbmv, channel.mer_db, channel.locked) == (None, None, None)


def test_without_ids_channels_are_counted() -> None:
    text = (
        "<h2>Upstream</h2><table><tr><th>Frequency<th>Power<tr><td>30 MHz<td>44<tr><td>36 MHz<td>45</table>"
    )
    assert [c.name for c in read_page(text).channels] == ["up-1", "up-2"]


def test_a_direction_that_nothing_tells_is_said_and_not_guessed() -> None:
    text = (
        "<table><tr><th>Channel ID<th>Frequency<th>Power<tr><td>1<td>501 MHz<td>1<tr><td>2<td>30 MHz<td>44"
        "<tr><td>3<td>95 MHz<td>3</table>"
    )
    found = read_page(text)
    assert [c.name for c in found.channels] == ["down-1", "up-2"]
    assert "downstream or upstream?" in found.remarks[0]


def test_unbelievable_levels_are_left_out_and_told() -> None:
    text = "<h2>Downstream</h2><table><tr><th>Channel ID<th>Power<th>SNR<tr><td>1<td>-730<td>40</table>"
    found = read_page(text)
    assert found.channels[0].power_dbmv is None
    assert "'-730'" in found.remarks[0]


def test_a_channel_shown_twice_with_other_values_is_told() -> None:
    text = (
        "<h2>Downstream</h2><table><tr><th>Channel ID<th>Power<th>SNR<tr><td>1<td>1.0<td>40"
        "<tr><td>1<td>2.0<td>40</table>"
    )
    found = read_page(text)
    assert found.channels[0].power_dbmv == 1.0
    assert "shown twice with different power_dbmv" in found.remarks[0]


@given(
    st.lists(
        st.tuples(
            st.integers(1, 255),
            st.integers(10, 120),
            st.integers(-150, 150),
            st.integers(200, 470),
            st.integers(0, 2**40),
        ),
        min_size=1,
        max_size=12,
        unique_by=lambda r: r[0],
    ),
    st.booleans(),
)
def test_every_laid_out_value_is_read_back_row_wise_and_sideways(
    rows: list[tuple[int, int, int, int, int]], sideways: bool
) -> None:
    head = ["Channel ID", "Frequency", "Power", "SNR", "Uncorrectable"]
    body = [
        [str(i), f"{f * 6} MHz", f"{p / 10:.1f} dBmV", f"{s / 10:.1f} dB", f"{n:,}"] for i, f, p, s, n in rows
    ]
    grid = [head, *body]
    if sideways:
        grid = [list(column) for column in zip(*grid, strict=True)]
    text = "<h2>Downstream</h2><table>" + "".join(
        "<tr>" + "".join(f"<td>{c}</td>" for c in r) + "</tr>" for r in grid
    )
    found = read_page(text + "</table>")
    got = [(c.channel_id, c.frequency_hz, c.power_dbmv, c.mer_db, c.uncorrectable) for c in found.channels]
    assert got == [(i, f * 6_000_000, p / 10, s / 10, n) for i, f, p, s, n in rows]


@given(st.data())
def test_a_page_cut_off_anywhere_never_fails_otherwise_than_by_one_line(data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(["rows.html", "sideways.html", "nested.html", "ofdm.html"]))
    text = (PAGES / name).read_text(encoding="utf-8")
    cut = text[: data.draw(st.integers(0, len(text)))]
    line = ""
    try:
        line = " ".join(c.name for c in read_page(cut).channels)
    except DataError as trouble:
        line = str(trouble)
    assert line
    assert "\n" not in line


def test_codewords_before_and_after_correction_are_known_by_their_usual_headings() -> None:
    # Before Reed-Solomon correction both kinds of errored codewords count (common practice, from memory).
    page = (
        "<h2>Downstream</h2><table><tr><th>Channel<th>Frequency (Hz)<th>Power (dBmV)<th>Pre RS Errors"
        "<th>Post RS Errors<tr><td>1<td>331000000<td>2.5<td>120<td>20<tr><td>2<td>339000000<td>2.6<td>5<td>9"
        "</table>"
    )
    first, second = read_page(page).channels
    assert (first.corrected, first.uncorrectable) == (100, 20)
    assert (second.corrected, second.uncorrectable) == (5, 9)


@pytest.mark.parametrize(
    ("page", "remedy"),
    [
        (
            '<form action="/login.cgi"><input name=usr><input type=password name=pwd></form>',
            "form: /login.cgi, user_field: usr, password_field: pwd}",
        ),
        ('<script>window.location.href = "/login.html";</script>', "It is a login page: add login:"),
        ('<meta http-equiv=refresh content="0; url=/Login.asp">', "It is a login page: add login:"),
        ('<div id=app></div><script src="/app.js"></script>', "It is drawn by a script"),
        (
            "<table id=ds><tr><td>Channel<td>Power</table><script>fill('ds')</script>",
            "the address that the script reads its figures from",
        ),
        ("<table><tr><td>Uptime<td>3 days</table>", "headings under `columns`"),
        ('<form action="\x1b[2J"><input type=password></form>', "form: \\x1b[2J"),
    ],
)
def test_a_page_that_is_none_of_levels_is_told_for_what_it_is(page: str, remedy: str) -> None:
    with pytest.raises(DataError) as caught:
        read_page(page)
    assert remedy in str(caught.value)
    assert str(caught.value).count("\n") == 0


HOSTILE = {
    "tags that never close": "<a " * 600_000,
    "attributes": "<a " + "x=1 " * 400_000 + ">",
    "nested tables": "<table><tr><td>" * 130_000,
    "nested blocks": "<div>" * 400_000,
    "misnested": "<b><p></b>" * 200_000,
    "comments": "<!--" * 400_000,
    "cells": "<table><tr>" + "<td>1" * 400_000,
    "rows of channels": "<h2>Downstream</h2><table><tr><td>Channel<td>Frequency<td>Power"
    + "<tr><td>1<td>3e8<td>1.5" * 80_000,
    "spans": "<table>" + "<tr><td rowspan=64 colspan=64>x" * 60_000,
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", HOSTILE)
def test_a_page_of_two_megabytes_costs_seconds_and_not_minutes(kind: str) -> None:
    # Processor time of this thread alone; the worst takes 2 s here, a quarter as fast a machine 8 s.
    begin = time.thread_time()
    with contextlib.suppress(DataError):
        assert len(read_page(HOSTILE[kind][:2_000_000]).channels) <= 300
    assert time.thread_time() - begin < 10.0
