"""Records files that are none, or are made to fill a memory."""

import gzip
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest

from whichhop.errors import DataError
from whichhop.store.files import read_file

LINE = b'{"at": "2026-03-01T18:04:05Z", "agent": "desk", "counter": "x", "value": 5}\n'


def test_a_compressed_file_is_read_as_a_plain_one(tmp_path: Path) -> None:
    (tmp_path / "a.jsonl").write_bytes(LINE * 3)
    (tmp_path / "a.jsonl.gz").write_bytes(gzip.compress(LINE * 3))
    assert read_file(tmp_path / "a.jsonl") == read_file(tmp_path / "a.jsonl.gz")


# Packed when the test runs: packing takes a second, and every process of the tests reads this file.
NO_RECORDS: dict[str, tuple[Callable[[], bytes], str]] = {
    "one long line": (lambda: packed(b" " * 1_000_000, 100), "a line of more than"),
    "too many lines": (lambda: packed((b" " * 9_999 + b"\n") * 100, 100), "octets in all"),
    "empty lines": (lambda: packed(b"\n" * 1_000_000, 10), "octets in all"),
    "many members": (lambda: gzip.compress(b"\n" * 1_000_000) * 10, "octets in all"),
    "cut short": (lambda: gzip.compress(LINE)[:-9], "packing is damaged"),
    "damaged": (lambda: gzip.compress(LINE)[:10] + b"\xff" * 40, "packing is damaged"),
    "no text": (lambda: gzip.compress(b"\xff\xfe\n"), "not UTF-8"),
    "no gzip": (lambda: b"no gzip", "is not JSON"),
}


def packed(piece: bytes, times: int) -> bytes:
    """The same piece so many times in one member, packed fast: how well does not matter."""
    return gzip.compress(piece * times, compresslevel=1)


@pytest.mark.parametrize("name", NO_RECORDS)
def test_what_is_no_records_file_is_one_line_and_little_memory(tmp_path: Path, name: str) -> None:
    octets, says = NO_RECORDS[name]
    path = tmp_path / "day.jsonl.gz"
    path.write_bytes(octets())
    tracemalloc.start()
    with pytest.raises(DataError, match=says) as caught:
        read_file(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert str(caught.value).startswith(str(path))
    assert peak < 20_000_000
