"""Levels from CSV and JSON files."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.errors import DataError
from whichhop.model import Carrier, Direction, DslLine
from whichhop.wire.level_file import read_csv, read_json

CSV = """direction,channel_id,carrier,frequency_hz,modulation,locked,power_dbmv,mer_db,\
unerrored,corrected,uncorrectable
down,5,sc-qam,561000000,256,true,-1.2,40.9,9990,8,2
down,33,ofdm,805500000,,true,4.0,39.5,,,
up,1,atdma,36500000,64,true,44.5,,,,
"""


def test_a_csv_file_with_our_own_headings() -> None:
    found = read_csv(CSV)
    assert [c.name for c in found.channels] == ["down-5", "down-ofdm-33", "up-1"]
    first = found.channels[0]
    assert (first.frequency_hz, first.modulation, first.locked) == (561_000_000, 256, True)
    assert (first.unerrored, first.corrected, first.uncorrectable) == (9990, 8, 2)
    assert found.remarks == ()


def test_semicolons_and_decimal_commas() -> None:
    found = read_csv("\ufeffdirection;channel id;frequency;power;snr\ndown;1;561,0 MHz;-1,2;40,9\n")
    assert (found.channels[0].power_dbmv, found.channels[0].mer_db) == (-1.2, 40.9)


@pytest.mark.parametrize("text", ["", "a,b\n1,2\n", "\x00\x01"])
def test_a_file_without_channels_is_one_clear_line(text: str) -> None:
    with pytest.raises(DataError, match="no table of channels found"):
        read_csv(text, source="levels.csv")


def test_a_json_object_with_its_time() -> None:
    text = json.dumps(
        {
            "at": "2026-03-01T19:04:05.250000001+01:00",
            "channels": [{"name": "down-5", "direction": "down", "channel_id": 5, "power_dbmv": -0.0}],
        }
    )
    found, at_ns = read_json(text)
    # 2026-03-01T18:04:05Z is 1772388245 s by the proleptic calendar (date -u -d ... +%s)
    assert at_ns == 1_772_388_245_250_000_001
    (channel,) = found.channels
    assert (channel.carrier, str(channel.power_dbmv)) == (Carrier.SC_QAM, "0.0")
    assert found.remarks == ()


def test_a_bare_json_list_numbers_its_channels() -> None:
    found, at_ns = read_json('[{"direction": "up"}, {"direction": "up", "carrier": "ofdma"}]')
    assert [c.name for c in found.channels] == ["up-1", "up-ofdma-2"]
    assert at_ns is None
    assert found.channels[0].direction is Direction.UP


def test_an_unknown_key_is_told_and_passed_over() -> None:
    found, _ = read_json('[{"direction": "up", "colour": "red"}]')
    assert found.remarks == ("channel 1: unknown key 'colour' passed over",)


@pytest.mark.parametrize(
    ("text", "part"),
    [
        ("{", "not JSON"),
        ("{}", "no channels"),
        ("[]", "no channels"),
        ("[3]", "is not an object"),
        ('[{"direction": "sideways"}]', "write down or up"),
        ("[{}]", "write down or up"),
        ('[{"direction": "up", "carrier": "x"}]', "write one of"),
        ('[{"direction": "up", "power_dbmv": "loud"}]', "is not a number"),
        ('[{"direction": "up", "channel_id": 1.5}]', "whole number"),
        ('[{"direction": "down", "uncorrectable": -1}]', "whole number from 0"),
        ('[{"direction": "down", "locked": 1}]', "write true or false"),
        ('{"dsl": [{"margin_db": 6}]}', "dsl needs a direction"),
        ('{"dsl": [{"direction": "up", "margin_db": "6"}]}', "dsl: margin_db: '6' is not a number"),
        ('{"dsl": [{"direction": "up", "colour": 6}]}', "unknown key 'colour'; write att"),
        ('{"receive_dbm": "bright"}', "receive_dbm: .bright. is not a number"),
        ('{"at": "yesterday", "channels": [{"direction": "up"}]}', "with its zone"),
        ('{"at": "2026-03-01T18:04:05", "channels": [{"direction": "up"}]}', "with its zone"),
    ],
)
def test_a_wrong_file_is_one_clear_line(text: str, part: str) -> None:
    with pytest.raises(DataError, match=part) as caught:
        read_json(text, "levels.json")
    assert str(caught.value).startswith("levels.json: ")
    assert "\n" not in str(caught.value)


LEAVES = st.none() | st.booleans() | st.floats() | st.text()


@given(st.recursive(LEAVES, lambda c: st.lists(c) | st.dictionaries(st.text(), c)))
def test_no_json_fails_otherwise_than_by_one_line(data: object) -> None:
    with pytest.raises(DataError):
        read_json(json.dumps(data))


def test_dsl_lines_and_light_in_a_json_file() -> None:
    found, _ = read_json('{"dsl": [{"direction": "down", "margin_db": 6.5}], "receive_dbm": -18}')
    assert found.dsl == (DslLine(direction=Direction.DOWN, margin_db=6.5),)
    assert found.receive_dbm == -18.0
    assert found.channels == ()


def test_a_csv_file_of_a_dsl_line_has_a_row_a_direction() -> None:
    head = "direction;margin_db;attenuation_db;rate_mb/s;attainable_rate_mb/s"
    found = read_csv(f"{head}\ndown;6,5;21;51,4;80\nup;7;12;10,2;11\n")
    assert found.channels == ()
    down, up = found.dsl
    assert (down.margin_db, down.attenuation_db, down.rate_bps, down.attainable_bps) == (
        6.5,
        21.0,
        51.4e6,
        80e6,
    )
    assert (up.margin_db, up.rate_bps) == (7.0, 10.2e6)


def test_a_csv_file_of_a_fibre_holds_the_light() -> None:
    assert read_csv("optical receive power dBm\n-24.5\n").receive_dbm == -24.5
