"""What a first user mistypes at `start` and `run` is one line with the remedy, before anything is sent."""

import re
from pathlib import Path

import pytest

from support.homes import ALDER_TEXT
from whichhop.cli import main
from whichhop.cli.provider import verify
from whichhop.config.keys import create_key
from whichhop.config.trusted_keys import is_key_name


@pytest.mark.parametrize(
    ("words", "remedy"),
    [
        (["start", "--yes", "nowhere/home.yaml"], "there is no folder nowhere; make it, or name a file"),
        (["start", "--yes", "--seconds", "5"], "from 30 to 3600"),
        (["start"], "nobody can answer here; say so with --yes"),
        (["start", "--yes", "--line", "satelite"], "did you mean 'satellite'?"),
        (["start", "--yes", "--modem", "nonsense"], "write one such as 192.168.100.1"),
        (["start", "--yes", "--transfer", "large.bin"], "name a file that you may fetch"),
        (["start", "--yes", "--plan", "100"], "such as 250/25"),
        (["start", "--yes", "--gateway", "router"], "write the address that `ping router` shows"),
        (["start", "--yes", "--gateway", "127.0.0.1"], "is this machine itself; write the address of the"),
        (["start", "--yes", "/proc/home.yaml"], "/proc/home.yaml: cannot be written"),
        (["start", "--yes", "--code", "1234"], "is for --join ADDRESS"),
        (["start", "--yes", "--plan", "250/25", "alder.yaml"], "is there already; write targets"),
        (["start", "--yes", "--modem", "192.168.100.1", "alder.yaml"], "write `levels: {snmp: ADDRESS}`"),
        (["join", "küche..lan"], "no address; type it as the other screen shows it"),
        (["join", "a" * 300], "no address; type it as the other screen shows it"),
        (["join", ""], "ADDRESS: no address"),
        (["join", "fe80::10"], "by which interface of this machine it is reached: fe80::10%eth0"),
        (["join", "192.0.2.10", "--address", "desk"], "write an address of this machine, such as"),
        (["join", "192.0.2.10", "nowhere/home.yaml"], "make the folder nowhere first"),
        (["invite", "alder.yaml", "--address", "küche.."], "write an address of this machine, such as"),
        (["route", "alone.yaml"], "add the line `targets: {peers: [HOST]}` to it"),
        (["survey", "alder.yaml", "--compare", "2026-03-01"], "no walk is kept here yet; make one"),
        (["survey", "alder.yaml", "kitchen"], "has the address of none of the nodes with agents; say which"),
        (["run", "alder.yaml"], "which of its agents this machine is: --node attic, --node desk"),
    ],
)
def test_it_is_one_line(
    words: list[str],
    remedy: str,
    tmp_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("alder.yaml").write_text(ALDER_TEXT)
    if words[0] == "route":
        Path("alone.yaml").write_text(ALDER_TEXT.partition("targets:")[0])
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
    if words[0] == "invite":
        create_key(Path("alder.key"))
    assert main(words) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert remedy in line
    made = {p.name for p in tmp_path.iterdir() if p.suffix != ".key"}
    assert made - {"alone.yaml"} == {"alder.yaml"}


def test_the_fingerprints_that_help_shows_are_such_as_would_be_taken() -> None:
    # RFC 4648, section 6: base 32 has the digits 2 to 7
    shown = re.findall(r"--trust ([\w-]+)", verify.EPILOG)
    assert shown
    assert all(is_key_name(name) for name in shown)
