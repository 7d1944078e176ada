"""What was found past the home outlives a restart; a file that is none costs nothing but time."""

from pathlib import Path

import pytest

from whichhop.daemon.beside.upstream import FoundAddresses, keep_found, read_found
from whichhop.errors import WhichhopError


def test_it_is_read_as_it_was_kept(tmp_path: Path) -> None:
    found = FoundAddresses({"harbour.example.net": "203.0.113.7"}, {"harbour.example.net": "198.51.100.1"})
    keep_found(tmp_path / "a", found)
    assert read_found(tmp_path / "a") == found
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


@pytest.mark.parametrize("octets", [b"", b"[]", b"{", b'{"names": {"a": "b"}}', b'{"names": 1}', b"\xff"])
def test_a_file_that_is_none_is_passed_over(octets: bytes, tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(octets)
    assert read_found(tmp_path / "a") == FoundAddresses()
    assert read_found(tmp_path / "none") == FoundAddresses()


def test_a_folder_that_takes_no_file_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(WhichhopError, match="cannot be written"):
        keep_found(tmp_path / "none" / "a", FoundAddresses())
