"""Addresses with ports; the standard library's own reading of them is the check (urllib.parse, RFC 3986)."""

from urllib.parse import urlsplit

import pytest

from whichhop.net.listen import authority


@pytest.mark.parametrize("address", ["192.0.2.1", "2001:db8::1", "::1", "attic.example"])
def test_what_is_written_is_read_back(address: str) -> None:
    parts = urlsplit(f"http://{authority(address, 9862)}/health")
    assert (parts.hostname, parts.port) == (address, 9862)
