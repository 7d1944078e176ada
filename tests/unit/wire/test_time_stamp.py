"""Requests that openssl reads and responses that openssl gives; a request and response of RFC 3161."""

import hashlib
from pathlib import Path

import pytest

from support.time_authority import make_authority, openssl, stamped
from whichhop.errors import DataError
from whichhop.wire.time_stamp import read_response, request

DIGEST = hashlib.sha256(b"a page").digest()


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_authority(tmp_path_factory.mktemp("tsa"))


def test_openssl_reads_the_request_as_it_was_meant(authority: Path) -> None:
    (authority / "own.tsq").write_bytes(request(DIGEST, 0x1234))
    text = openssl("ts", "-query", "-in", str(authority / "own.tsq"), "-text")
    shown = "".join(text.split())
    assert "HashAlgorithm:sha256" in shown
    assert "Nonce:0x1234" in shown
    assert "Certificaterequired:yes" in shown
    assert DIGEST[:8].hex(" ") in text.replace("-", " ")


def test_openssls_response_is_read_and_is_for_the_same_digest(authority: Path) -> None:
    found = read_response(stamped(authority, request(DIGEST, 7)))
    assert found.digest == DIGEST
    assert found.serial == 0x2B  # openssl counts its serial file up before use
    assert found.at.startswith("20")
    assert found.at.endswith("Z")


def test_a_cut_response_is_refused(authority: Path) -> None:
    whole = stamped(authority, request(DIGEST, 9))
    for end in (0, 1, 10, len(whole) // 2, len(whole) - 1):
        with pytest.raises(DataError, match="time-stamp"):
            read_response(whole[:end])


def test_a_refusal_is_told_with_its_status() -> None:
    # PKIStatus rejection is 2 (RFC 3161 2.4.2): SEQUENCE { SEQUENCE { INTEGER 2 } }.
    with pytest.raises(DataError, match="refused with status 02"):
        read_response(bytes.fromhex("30053003020102"))
