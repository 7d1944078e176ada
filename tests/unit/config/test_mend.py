"""All mistakes of a home file are told in one run, and none that only follows from another."""

import re
from pathlib import Path

import pytest

from support.homes import ALDER_TEXT
from whichhop.config.check import check_home, read_home
from whichhop.config.load import read_yaml
from whichhop.errors import ConfigError


def told(text: str) -> list[str]:
    with pytest.raises(ConfigError) as caught:
        check_home(read_yaml(text, "home.yaml"))
    return [str(c).removeprefix("home.yaml:") for c in caught.value.complaints]


def changed(*pairs: tuple[str, str]) -> str:
    text = ALDER_TEXT
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def test_mistakes_of_reader_schema_and_rules_come_in_one_run() -> None:
    text = changed(
        ("agent: true}\n  desk", "agent: yes}\n  desk"),  # the reader's
        ("kind: wireless", "kind: wirless"),  # the schema's
        ("192.0.2.30", "192.0.2.20"),  # a rule's
        ("stamp: true", "stmap: true"),
        ("[study, router]", "[study, ruoter]"),
    )
    lines = told(text)
    assert [int(line.partition(":")[0]) for line in lines] == [6, 8, 10, 12, 17], lines
    assert "write true or false" in lines[0]
    assert "is desk's already" in lines[1]
    assert "did you mean 'wireless'?" in lines[2]
    assert "did you mean 'router'?" in lines[3]
    assert "did you mean 'stamp'?" in lines[4]


@pytest.mark.parametrize(
    "pair",
    [
        ("kind: mesh-node", "kind: mesh-nodd"),
        ("kind: backhaul, medium: radio", "kind: bakhaul, medium: radio"),
        ("medium: radio", "medium: rdio"),
        ("[desk, attic]", "[desk, atic]"),
        ("[desk, attic]", "[desk]"),
        ("address: 192.0.2.2,", "address: 192.0.2.256,"),
        ("kind: access, medium: cable", "kind: acess, medium: cable"),
        ("{address: 203.0.113.7, stamp: true}", "{address: 203.0.113.777, stamp: true}"),
        ("{address: 203.0.113.7, stamp: true}", "{stamp: true}"),
        ("plan: {down_mbps: 100", "plan: {down_mpbs: 100"),
        ("home: Alder House\n", ""),
        ("agent: true}\n  desk", "agent: maybe}\n  desk"),
    ],
    ids=lambda pair: pair[1][:24],
)
def test_one_mistake_is_one_line(pair: tuple[str, str]) -> None:
    lines = told(changed(pair))
    assert len(lines) == 1, lines


def test_a_capital_in_a_name_says_the_name_to_write() -> None:
    lines = told(changed(("  desk:", "  Desk PC:")))
    assert "write desk-pc;" in lines[0]


def test_what_is_offered_is_taken() -> None:
    """A complaint never offers a word that is then refused: what follows 'did you mean' mends the file."""
    for old, new in [
        ("kind: wireless", "kind: wirless"),
        ("kind: mesh-node", "kind: mesh-nodd"),
        ("kind: backhaul, medium: radio", "kind: backhaul, medium: wirelss"),
        ("medium: cable", "medium: fibr"),
        ("medium: cable", "medium: powerlin"),
        ("medium: cable", "medium: ethernt"),
        ("kind: access, medium: cable", "kind: docsys"),
        ("kind: modem", "kind: provider-edg"),
        ("kind: wired", "kind: beyon"),
    ]:
        text = changed((old, new))
        (line,) = told(text)
        found = re.search(r"did you mean '([^']+)'", line)
        if found is None:
            assert "use one of: " in line
            word = line.rpartition("use one of: ")[2].split(", ")[0]
        else:
            word = found[1]
        wrong = re.search(r"unknown word '([^']+)'", line)
        assert wrong is not None, line
        check_home(read_yaml(text.replace(wrong[1], word, 1), "home.yaml"))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("kind: mesh-node, address: 192.0.2.2", "type: mesh-node, ip: 192.0.2.2", "did you mean 'address'?"),
        ("address: 192.0.2.20", "address:192.0.2.20", "put a blank after the colon"),
        ("down_mbps: 100", "down: 100", "did you mean 'down_mbps'?"),
        ("home: Alder House", "home:\tAlder House\n\tx: 1", "never with tabs"),
    ],
)
def test_what_people_try_first_is_answered_with_the_key_that_is_meant(old: str, new: str, words: str) -> None:
    assert any(words in line for line in told(changed((old, new))))


def test_of_very_many_mistakes_twenty_are_told_and_the_rest_counted(tmp_path: Path) -> None:
    nodes = "".join(f"  n{i}: {{kind: hosst, colour: red}}\n" for i in range(100))
    path = tmp_path / "home.yaml"
    path.write_text(f"home: X\nnodes:\n{nodes}")
    with pytest.raises(ConfigError) as caught:
        read_home(path)
    lines = str(caught.value).splitlines()
    assert len(lines) == 21
    assert "more; fix these first" in lines[-1]
