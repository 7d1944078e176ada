"""Status pages as different makers would lay them out: what is read, and what is told as not read."""

import pytest

from whichhop.errors import DataError
from whichhop.model import Carrier, Direction
from whichhop.wire.modem_table import TableReading, read_page


def table(title: str, *rows: str, heads: str = "") -> str:
    """A table of rows given as cells between bars; `heads` as HTML where cells span."""
    body = "".join(f"<tr><td>{'</td><td>'.join(row.split('|'))}</td></tr>" for row in rows)
    return f"<h3>{title}</h3><table>{heads}{body}</table>"


def facts(found: TableReading, name: str) -> tuple[object, ...]:
    (one,) = [c for c in found.channels if c.name == name]
    return one.frequency_hz, one.power_dbmv, one.mer_db


def test_a_heading_in_two_rows_of_spanning_cells() -> None:
    heads = (
        "<tr><th rowspan=2>Channel</th><th rowspan=2>Lock Status</th><th rowspan=2>Frequency<br>(MHz)</th>"
        "<th colspan=2>Signal</th><th colspan=2>Codewords</th></tr>"
        "<tr><th>Power (dBmV)</th><th>SNR (dB)</th><th>Corrected</th><th>Uncorrectables</th></tr>"
    )
    found = read_page(table("Downstream", "7|Locked|591.00|-1.3|38.1|100|3", heads=heads))
    assert facts(found, "down-7") == (591_000_000, -1.3, 38.1)
    assert (found.channels[0].corrected, found.channels[0].uncorrectable) == (100, 3)


def test_units_below_the_headings_in_a_row_of_their_own() -> None:
    # by hand: 60 dBuV are 0 dBmV
    rows = ("Channel|Frequency|Power|SNR", "|(MHz)|(dBuV)|(dB)", "1|591|61.5|38.0", "2|597|60.0|37.0")
    found = read_page(table("Downstream", *rows))
    assert facts(found, "down-1") == (591_000_000, 1.5, 38.0)
    assert found.remarks == ()


@pytest.mark.parametrize("head", ["Direction", "DS/US", "US / DS", "Downstream/Upstream"])
def test_both_directions_in_one_table(head: str) -> None:
    rows = (f"{head}|Channel|Frequency|Level (dBmV)|SNR", "DS|1|591 MHz|-1.2|38.1", "US|1|25.4 MHz|46.0|----")
    found = read_page(table("", *rows))
    assert facts(found, "down-1") == (591_000_000, -1.2, 38.1)
    assert facts(found, "up-1") == (25_400_000, 46.0, None)


def test_both_directions_in_one_table_without_a_column_that_says_so() -> None:
    found = read_page(table("", "Channel|Frequency|Power|SNR", "1|591 MHz|-1.2|38.1", "2|25.4 MHz|46.0|"))
    assert [c.name for c in found.channels] == ["down-1", "up-2"]


def test_a_channel_without_figures_does_not_end_the_table() -> None:
    # A row that holds its number alone was taken for a title, and all below it was lost.
    rows = ("Channel|Lock&nbsp;Status|Frequency|Power|SNR", "1|Locked|591&nbsp;MHz|&nbsp;-1.2 dBmV|38.1 dB")
    more = ("2|Not Locked|----|----|----", "3|&nbsp;|||", "|Unlocked|||", "4|Locked|603 MHz|n/a|37.0 dB")
    found = read_page(table("Downstream", *rows, *more))
    assert [c.name for c in found.channels] == ["down-1", "down-2", "down-4"]
    assert facts(found, "down-4") == (603_000_000, None, 37.0)


def test_titles_inside_one_table_still_part_it() -> None:
    down = ("Downstream|||", "ID|Freq|Power|SNR", "1|591|1.5|37.1")
    up = ("Upstream|||", "ID|Freq|Power|", "1|26|45.5|")
    found = read_page(table("", *down, *up))
    assert [c.name for c in found.channels] == ["down-1", "up-1"]


def test_ofdm_rows_among_others_and_in_tables_of_their_own() -> None:
    heads = "Channel|Modulation|Frequency|Power|SNR"
    mixed = (
        heads,
        "1|256QAM|591 MHz|-1.1|38.1",
        "159|OFDM PLC|722 MHz|1.9|41.0",
    )
    apart = ("ID|Frequency (MHz)|FFT Type|Report Power (dBmV)", "1|74,0|2K|37,5")
    found = read_page(table("Downstream", *mixed) + table("3.1 Upstream OFDMA", *apart))
    assert [(c.name, c.carrier) for c in found.channels] == [
        ("down-1", Carrier.SC_QAM),
        ("down-ofdm-159", Carrier.OFDM),
        ("up-ofdma-1", Carrier.OFDMA),
    ]
    assert facts(found, "up-ofdma-1") == (74_000_000, 37.5, None)


def test_columns_in_another_language_are_named_as_not_read() -> None:
    heads = "Kanal|Frequenz (MHz)|Pegel (dBmV)|Störabstand (dB)|Nicht korrigierbare Fehler"
    down = (
        heads,
        "1|602,000|-1,3|38,1|12",
    )
    up = ("Kanal|Frequenz (MHz)|Sendepegel (dBmV)|Modulation", "1|30,0|45,0|64QAM")
    found = read_page(table("Empfangsrichtung", *down) + table("Senderichtung", *up))
    assert facts(found, "down-1") == (602_000_000, -1.3, None)
    assert facts(found, "up-1") == (30_000_000, 45.0, None)
    assert set(found.not_read) >= {"Störabstand (dB)", "Nicht korrigierbare Fehler"}


def test_columns_that_are_known_or_hold_no_figures_are_not_named() -> None:
    rows = ("Channel|Frequency|Power|SNR|Comment", "1|591|1.5|37.1|fine")
    assert read_page(table("Downstream", *rows)).not_read == ()


def test_a_page_of_another_language_alone_shows_its_headings() -> None:
    page = table("Voie descendante", "Canal|Fréquence|Puissance", "1|602|-1.3")
    with pytest.raises(DataError, match="with: Canal, Fréquence, Puissance") as caught:
        read_page(page)
    assert "`columns`" in str(caught.value)
    assert "-1.3" not in str(caught.value)


@pytest.mark.parametrize(
    ("page", "words"),
    [
        ("<form action=/in><input name=usr><input type=password name=pw></form>", "It is a login page"),
        ("<div id=app></div><script src=a.js></script>", "It is drawn by a script"),
        (
            "<div>Please sign in</div><script src=a.js></script>",
            "It asks to log in, and is drawn",
        ),
    ],
)
def test_a_page_that_is_none_of_levels_says_what_to_do(page: str, words: str) -> None:
    with pytest.raises(DataError, match=words):
        read_page(page)


def test_the_direction_is_that_of_the_frequency_where_nothing_else_tells() -> None:
    rows = ("Channel|Frequency|Power|SNR", "1|30 MHz|44.0|35.0")
    (one,) = read_page(table("Status", *rows)).channels
    assert one.direction is Direction.UP
