"""The daemon gets a checked home from a child process, and never the libraries that read it."""

import subprocess
import sys
from pathlib import Path

import msgspec

from support.homes import ALDER_TEXT, alder
from whichhop.config.identity import proof_of
from whichhop.config.keys import create_key, derive_keys, read_key
from whichhop.model.chain_signature import fingerprint
from whichhop.model.handover import Handover


def child(*words: str) -> "subprocess.CompletedProcess[bytes]":
    return subprocess.run(
        [sys.executable, "-m", "whichhop.config.handover", *words], capture_output=True, check=False
    )


def test_a_home_and_its_keys_arrive_unchanged(tmp_path: Path) -> None:
    home_file = tmp_path / "alder.yaml"
    home_file.write_text(ALDER_TEXT)
    create_key(tmp_path / "alder.key")
    done = child(str(home_file), "", str(tmp_path / "desk.identity"), "desk")
    assert done.returncode == 0, done.stderr
    handover = msgspec.json.decode(done.stdout, type=Handover)
    assert handover.home == alder()
    keys = derive_keys(read_key(tmp_path / "alder.key"))
    assert handover.api_token == keys.api_token
    assert handover.maker == fingerprint(keys.maker)
    said = msgspec.json.decode(handover.identity)
    assert said["certificate"] == handover.certificate
    assert said["proof"] == proof_of(keys.identity, "desk", handover.certificate)
    assert "PRIVATE" not in handover.identity


def test_a_broken_home_is_told_on_stderr_with_exit_code_two(tmp_path: Path) -> None:
    home_file = tmp_path / "alder.yaml"
    home_file.write_text(ALDER_TEXT.replace("kind: host", "kind: hots", 1))
    done = child(str(home_file), "", str(tmp_path / "desk.identity"), "desk")
    assert done.returncode == 2
    assert done.stdout == b""
    assert b"alder.yaml:7: nodes.desk.kind" in done.stderr
