"""What names a metrics server on the command line is an address of HTTP, or one line says so."""

import re
from pathlib import Path

import pytest

from whichhop.app.fleet.metrics_windows import authorization_of, server_base
from whichhop.errors import DataError


@pytest.mark.parametrize(
    "given", ["http://127.0.0.1:9090", "https://metrics.example.net/prom", "http://[::1]:9090"]
)
def test_an_address_of_http_is_taken_with_or_without_a_stroke(given: str) -> None:
    assert server_base(given) == server_base(f"{given}/") == given


@pytest.mark.parametrize(
    "given",
    ["x", "127.0.0.1:9090", "file:///etc/hosts", "http://", "http://a b/", "http://h/?q=1", "HTTP//x", ""],
)
def test_another_word_is_refused_with_what_to_write(given: str) -> None:
    with pytest.raises(DataError, match=re.escape("write it as http://127.0.0.1:9090")):
        server_base(given)


def test_a_header_that_cannot_be_read_is_one_plain_line(tmp_path: Path) -> None:
    with pytest.raises(DataError, match=r"cannot be read \(No such file or directory\); name a text file"):
        authorization_of(tmp_path / "none")
    (tmp_path / "octets").write_bytes(b"\xff\xfe")
    with pytest.raises(DataError, match=r"cannot be read \(no text\)"):
        authorization_of(tmp_path / "octets")
