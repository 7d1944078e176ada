"""Levels, cabling and equipment in a home file: their rules, and the nouns they become."""

import math
from pathlib import Path

import pytest

from support.homes import ALDER_TEXT, home_of
from whichhop.config.check import read_house
from whichhop.errors import ConfigError
from whichhop.model.cable_run import (
    Adapter,
    Amplifier,
    Cable,
    CableKind,
    Coupler,
    Docsis,
    Filter,
    Joint,
    Leg,
    Pad,
    RadioKind,
    Splitter,
)
from whichhop.model.levels_source import LevelsSource

MODEM = "modem:  {kind: modem}"
RUN = """\
cabling:
  - {tap: [{mhz: 100, dbmv: 12}, {mhz: 700, dbmv: 15.5}]}
  - {cable: rg-6, length_m: 30}
  - {joint: bonding block}
  - {splitter: 3, leg: weak, serves: [alarm panel]}
  - {coupler: 9}
  - {amplifier_db: 10, return_db: -1}
  - {filter: high-pass, low_mhz: 85}
  - {pad_db: 6}
  - {cable: rg-59, length_m: 3, temperature_c: 40}
equipment:
  modem:  {down_channels: 8, up_channels: 4, port_mbps: 1000}
  router: {port_mbps: 1000, radio: 802.11ac}
  attic:  {adapter: power-line-1200}
"""


def levels(text: str) -> LevelsSource:
    return home_of(ALDER_TEXT.replace(MODEM, f"modem:  {{kind: modem, levels: {text}}}")).levels["modem"]


def test_levels_by_snmp() -> None:
    source = levels("{snmp: 192.0.2.254}")
    assert (source.snmp, source.port, source.community, source.every_s) == (
        "192.0.2.254",
        161,
        "public",
        300,
    )


def test_levels_by_page_with_a_login_and_a_column_map() -> None:
    source = levels(
        '{page: "http://192.0.2.254/status.html", login: {user: admin, password: open},'
        " columns: {power: Pegel}, down: Empfang, up: Senden, locked: [verriegelt]}"
    )
    assert source.page == "http://192.0.2.254/status.html"
    assert source.columns == {"power": "Pegel"}
    assert source.locked == ("verriegelt",)
    assert source.login is not None
    assert source.login.password == "open"
    assert "open" not in repr(source)


def test_files_are_looked_for_beside_the_home_file(tmp_path: Path) -> None:
    home = tmp_path / "home.yaml"
    home.write_text(ALDER_TEXT.replace(MODEM, "modem:  {kind: modem, levels: {file: levels.csv}}"))
    assert read_house(home).home.levels["modem"].file == str(tmp_path / "levels.csv")


def test_a_cable_run_and_equipment_become_nouns(tmp_path: Path) -> None:
    home = tmp_path / "home.yaml"
    home.write_text(ALDER_TEXT + RUN)
    house = read_house(home)
    assert house.run is not None
    assert house.run.tap_dbmv == {100e6: 12.0, 700e6: 15.5}
    assert house.run.parts == (
        Cable(kind=CableKind.RG_6, length_m=30.0),
        Joint(name="bonding block"),
        Splitter(ways=3, leg=Leg.WEAK, serves=("alarm panel",)),
        Coupler(value_db=9),
        Amplifier(gain_db=10.0, return_gain_db=-1.0),
        Filter(name="high-pass", low_hz=85e6, high_hz=math.inf),
        Pad(loss_db=6.0),
        Cable(kind=CableKind.RG_59, length_m=3.0, temperature_c=40.0),
    )
    modem, router, attic = house.boxes
    assert modem.docsis == Docsis(down_channels=8, up_channels=4)
    assert router.radio is not None
    assert router.radio.generation is RadioKind.AC
    assert (attic.adapter, attic.docsis) == (Adapter.POWER_LINE_1200, None)


def test_a_home_without_them_has_none(tmp_path: Path) -> None:
    home = tmp_path / "home.yaml"
    home.write_text(ALDER_TEXT)
    house = read_house(home)
    assert (house.run, house.boxes, dict(house.home.levels)) == (None, (), {})


BAD_LEVELS = {
    "no source": ("{every_s: 60}", "nodes.modem.levels", "names no source"),
    "two sources": ("{snmp: 192.0.2.9, file: a.csv}", "nodes.modem.levels", "names snmp and file"),
    "a community beside a user": (
        "{snmp: 192.0.2.9, community: a, user_file: b}",
        "levels.community",
        "of no use with user_file",
    ),
    "a user for a page": (
        '{page: "http://192.0.2.9/", user_file: b}',
        "levels.user_file",
        "no meaning with page",
    ),
    "a login for snmp": (
        "{snmp: 192.0.2.9, login: {password: x}}",
        "levels.login",
        "has no meaning with snmp",
    ),
    "a login without a password": (
        '{page: "http://192.0.2.9/", login: {user: a}}',
        "levels.login",
        "password once",
    ),
    "a wrong page": ("{page: 192.0.2.9}", "levels.page", "not a page's address"),
    "a wrong fact": (
        '{page: "http://192.0.2.9/", columns: {powr: P}}',
        "levels.columns.powr",
        "did you mean 'power'",
    ),
    "a mistyped key": ("{snpm: 192.0.2.9}", "levels.snpm", "did you mean 'snmp'"),
    "too often": ("{snmp: 192.0.2.9, every_s: 1}", "levels.every_s", "write 30 or more"),
}


@pytest.mark.parametrize("case", BAD_LEVELS.values(), ids=BAD_LEVELS.keys())
def test_wrong_levels_name_line_key_and_remedy(case: tuple[str, str, str]) -> None:
    text, key, words = case
    with pytest.raises(ConfigError) as caught:
        levels(text)
    found = [str(c) for c in caught.value.complaints]
    assert [c for c in found if c.startswith("home.yaml:4: ") and key in c and words in c], found


def test_levels_of_a_host_are_refused() -> None:
    text = ALDER_TEXT.replace("address: 192.0.2.30,", "address: 192.0.2.30, levels: {file: a.csv},")
    with pytest.raises(ConfigError, match="a host has no line"):
        home_of(text)


BAD_RUN = {
    "two kinds in one part": ("{pad_db: 6}", "{pad_db: 6, joint: x}", 26, "names pad_db and joint"),
    "no kind": ("{pad_db: 6}", "{leg: weak}", 26, "names no part"),
    "a leg a part has not": ("{coupler: 9}", "{coupler: 9, leg: weak}", 23, "no weak output"),
    "a cable without its length": ("rg-6, length_m: 30", "rg-6", 20, "as length_m or length_ft"),
    "a length twice": ("length_m: 30", "length_m: 30, length_ft: 98", 20, "in metres and in feet"),
    "a coax nobody knows": ("rg-6, length", "rg-7, length", 20, "unknown word 'rg-7'"),
    "a splitter nobody makes": ("splitter: 3, leg: weak", "splitter: 5", 22, "use 2, 3, 4 or 8"),
    "a coupler nobody makes": ("{coupler: 9}", "{coupler: 7}", 23, "use 6, 9, 12, 16 or 20"),
    "a length for a pad": ("{pad_db: 6}", "{pad_db: 6, length_m: 2}", 26, "no meaning with pad_db"),
    "a second tap": ("{pad_db: 6}", "{tap: [{mhz: 1, dbmv: 2}]}", 26, "a second start"),
    "no tap at the head": (
        "tap: [{mhz: 100, dbmv: 12}, {mhz: 700, dbmv: 15.5}]", "pad_db: 3", 19, "starts with"
    ),
    "a filter upside down": ("low_mhz: 85", "low_mhz: 85, high_mhz: 5", 25, "not below high_mhz"),
    "a box of no node": ("  attic:  {adapter", "  atic:  {adapter", 31, "did you mean 'attic'"),
    "a radio too wide": ("radio: 802.11ac", "radio: 802.11n, width_mhz: 160", 30, "no channels of 160 MHz"),
    "an unknown radio": ("radio: 802.11ac", "radio: 802.11zz", 30, "unknown word"),
    "a line with channels": ("up_channels: 4", "up_channels: 4, line: gpon", 29, "has no cable channels"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD_RUN.values(), ids=BAD_RUN.keys())
def test_a_wrong_run_names_line_and_remedy(case: tuple[str, str, int, str]) -> None:
    old, new, line, words = case
    assert old in RUN
    with pytest.raises(ConfigError) as caught:
        home_of(ALDER_TEXT + RUN.replace(old, new, 1))
    found = [str(c) for c in caught.value.complaints]
    assert [c for c in found if c.startswith(f"home.yaml:{line}: ") and words in c], found
