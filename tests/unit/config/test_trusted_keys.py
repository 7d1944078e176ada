"""The list of trusted keys is read as a person writes it, and a bad line is named."""

from pathlib import Path

import pytest

from whichhop.config.trusted_keys import add_trusted, read_trusted
from whichhop.errors import WhichhopError
from whichhop.model.chain_signature import fingerprint, same_key

KEY, OTHER = "ab" * 32, "cd" * 32


def test_a_key_is_trusted_by_fingerprint_or_whole_however_it_is_written(tmp_path: Path) -> None:
    short = fingerprint(KEY)
    assert [len(group) for group in short.split("-")] == [4] * 5
    for name in (short, short.lower(), short.replace("-", ""), KEY, KEY.upper()):
        path = tmp_path / "list"
        path.write_text(f"# mine\n\n{name}  # Alder House\n")
        assert any(same_key(KEY, named) for named in read_trusted(path))
        assert not any(same_key(OTHER, named) for named in read_trusted(path))
    assert not same_key(KEY, short[:-1])
    assert not same_key(KEY, "")


def test_no_file_is_an_empty_list_and_what_is_added_is_read_again(tmp_path: Path) -> None:
    path = tmp_path / "new" / "list"
    assert read_trusted(path) == {}
    add_trusted(path, fingerprint(KEY), "of Alder\nHouse")
    assert read_trusted(path) == {fingerprint(KEY): "of Alder House"}


@pytest.mark.parametrize("line", ["nonsense", "ABCD", "zz" * 32, "\x00"])
def test_a_bad_line_is_named_by_its_number(line: str, tmp_path: Path) -> None:
    path = tmp_path / "list"
    path.write_text(f"# one\n{line}\n")
    with pytest.raises(WhichhopError, match=":2: "):
        read_trusted(path)
