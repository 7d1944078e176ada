"""Where agents were found last: kept beside home file or records, and laid over an open address only."""

from pathlib import Path

import pytest

from whichhop.config.check import check_home, read_home
from whichhop.config.found_addresses import VARIABLE, found_addresses_path, keep_found, read_found
from whichhop.config.load import load_yaml
from whichhop.errors import ConfigError
from whichhop.model import derive_sessions

HOME = """\
home: Alder
nodes:
  router: {kind: router, address: 192.0.2.1}
  desk: {kind: host, address: 192.0.2.9, agent: true}
  attic: {kind: host, agent: true}
links:
  - {join: [desk, router], kind: wired}
  - {join: [attic, router], kind: wired}
"""


def written(tmp_path: Path, text: str = HOME) -> Path:
    path = tmp_path / "home.yaml"
    path.write_text(text)
    return path


def test_an_agent_without_an_address_is_where_it_was_found(tmp_path: Path) -> None:
    path = written(tmp_path)
    assert read_home(path).nodes["attic"].address is None
    assert read_home(path).announces
    assert keep_found({"attic": "192.0.2.77"}, path, tmp_path / "s.db") == tmp_path / "home.addresses"
    assert read_home(path).nodes["attic"].address == "192.0.2.77"
    sessions = {(s.key.agent, s.key.target): s.address for s in derive_sessions(read_home(path))}
    assert sessions["desk", "attic"] == "192.0.2.77"


def test_a_written_address_is_law_and_nobody_takes_another_nodes(tmp_path: Path) -> None:
    path = written(tmp_path)
    keep_found({"attic": "192.0.2.1", "desk": "192.0.2.50", "shed": "192.0.2.51"}, path, tmp_path / "s.db")
    home = read_home(path)
    assert home.nodes["desk"].address == "192.0.2.9"
    assert home.nodes["attic"].address is None
    assert "shed" not in home.nodes


@pytest.mark.parametrize("text", ["", "{", "[]", '{"attic": 1}', '{"attic": "nowhere"}', "x" * 100_000])
def test_a_damaged_file_is_found_anew(text: str, tmp_path: Path) -> None:
    path = written(tmp_path)
    found_addresses_path(path).write_text(text)
    assert read_found(path, {}) == {}


def test_where_the_home_files_folder_is_not_writable_it_stands_beside_the_records(tmp_path: Path) -> None:
    home = tmp_path / "none" / "home.yaml"  # a folder that is not there cannot be written to either
    kept = keep_found({"attic": "192.0.2.77"}, home, tmp_path / "s.db")
    assert kept == tmp_path / "s.addresses"
    assert read_found(home, {VARIABLE: str(kept)}) == {"attic": "192.0.2.77"}


def test_announcements_are_off_where_every_address_is_written_and_on_when_asked_for() -> None:
    fixed = HOME.replace("attic: {kind: host,", "attic: {kind: host, address: 192.0.2.8,")
    assert not check_home(load_yaml(fixed, "home.yaml")).announces
    assert check_home(load_yaml(fixed + "announce: true\n", "home.yaml")).announces


def test_who_wants_no_announcements_must_write_addresses() -> None:
    with pytest.raises(ConfigError) as told:
        check_home(load_yaml(HOME + "announce: false\n", "home.yaml"))
    assert "nodes.attic.address: missing, and announce: false lets nobody find its agent" in str(told.value)
