"""What `check` says of a sound home file whose machines have addresses of two families."""

import json
from pathlib import Path

import pytest

from support.homes import ALDER_TEXT
from whichhop.cli import main

MIXED = ALDER_TEXT.replace("192.0.2.2,", "'2001:db8::2',")


def checked(text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str], *more: str) -> str:
    file = tmp_path / "home.yaml"
    file.write_text(text)
    assert main(["check", str(file), *more]) == 0
    return capsys.readouterr().out


def test_sessions_between_two_families_are_named_with_the_remedy(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = checked(MIXED, tmp_path, capsys)
    assert (
        "Cannot exist unless desk (192.0.2.20) has IPv6 too: its sessions to attic. Where it has IPv4 alone,"
        " write their IPv4 addresses; or leave addresses of agents out, they find each other by either."
    ) in out
    assert "Cannot exist unless attic (2001:db8::2) has IPv4 too: its sessions to router," in out
    data = json.loads(checked(MIXED, tmp_path, capsys, "--json"))
    assert "desk>attic:stamp" in data["across_families"]


def test_a_home_of_one_family_is_told_nothing_of_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "Cannot exist" not in checked(ALDER_TEXT, tmp_path, capsys)
