"""Records files that are none, or are made to fill a memory."""

import gzip
import tracemalloc
from pathlib import Path

import pytest

from whichhop.errors import DataError
from whichhop.store.files import read_file

LINE = b'{"at": "2026-03-01T18:04:05Z", "agent": "desk", "counter": "x", "value": 5}\n'


def test_a_compressed_file_is_read_as_a_plain_one(tmp_path: Path) -> None:
    (tmp_path / "a.jsonl").write_bytes(LINE * 3)
    (tmp_path / "a.jsonl.gz").write_bytes(gzip.compress(LINE * 3))
    assert read_file(tmp_path / "a.jsonl") == read_file(tmp_path / "a.jsonl.gz")


@pytest.mark.parametrize(
    ("octets", "says"),
    [
        (gzip.compress(b" " * 100_000_000), "a line of more than"),
        (gzip.compress((b" " * 9_999 + b"\n") * 10_000), "octets in all"),
        (gzip.compress(b"\n" * 10_000_000), "octets in all"),
        (gzip.compress(b"\n" * 1_000_000) * 10, "octets in all"),
        (gzip.compress(LINE)[:-9], "packing is damaged"),
        (gzip.compress(LINE)[:10] + b"\xff" * 40, "packing is damaged"),
        (gzip.compress(b"\xff\xfe\n"), "not UTF-8"),
        (b"no gzip", "is not JSON"),
    ],
    # gzip's header has the time of day in it, which would make another name in every process.
    ids=[
        "one long line",
        "too many lines",
        "empty lines",
        "many members",
        "cut short",
        "damaged",
        "no text",
        "no gzip",
    ],
)
def test_what_is_no_records_file_is_one_line_and_little_memory(
    tmp_path: Path, octets: bytes, says: str
) -> None:
    path = tmp_path / "day.jsonl.gz"
    path.write_bytes(octets)
    tracemalloc.start()
    with pytest.raises(DataError, match=says) as caught:
        read_file(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert str(caught.value).startswith(str(path))
    assert peak < 20_000_000
