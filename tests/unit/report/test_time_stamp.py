"""Requests that openssl reads and responses that openssl gives; a request and response of RFC 3161."""

import hashlib
from pathlib import Path

import pytest

from support.time_authority import make_authority, openssl, stamped
from whichhop.errors import DataError
from whichhop.report.time_stamp import check_response, read_response, request

PAGE = b"a page"
DIGEST = hashlib.sha256(PAGE).digest()


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_authority(tmp_path_factory.mktemp("tsa"))


def test_openssl_reads_the_request_as_it_was_meant(authority: Path) -> None:
    (authority / "own.tsq").write_bytes(request(PAGE))
    text = openssl("ts", "-query", "-in", str(authority / "own.tsq"), "-text")
    shown = "".join(text.split())
    assert "HashAlgorithm:sha256" in shown
    assert "Nonce:0x" in shown
    assert "Certificaterequired:yes" in shown
    assert DIGEST[:8].hex(" ") in text.replace("-", " ")


def test_openssls_response_is_read_and_is_for_the_same_digest(authority: Path) -> None:
    found = read_response(stamped(authority, request(PAGE)))
    assert found.digest == DIGEST
    assert found.serial == 0x2B  # openssl counts its serial file up before use
    assert found.at.startswith("20")
    assert found.at.endswith("Z")


def test_a_cut_response_is_refused(authority: Path) -> None:
    whole = stamped(authority, request(PAGE))
    for end in (0, 1, 10, len(whole) // 2, len(whole) - 1):
        with pytest.raises(DataError, match="time-stamp"):
            read_response(whole[:end])


def test_a_refusal_is_told_with_its_status() -> None:
    # PKIStatus rejection is 2 (RFC 3161 2.4.2): SEQUENCE { SEQUENCE { INTEGER 2 } }.
    with pytest.raises(DataError, match=r"refused \(REJECTION\)"):
        read_response(bytes.fromhex("30053003020102"))


def test_only_a_trusted_authoritys_word_for_this_page_holds(authority: Path, tmp_path: Path) -> None:
    response = stamped(authority, request(PAGE))
    trusted = (authority / "tsa.crt").read_bytes()
    check_response(response, DIGEST, trusted)
    other = (make_authority(tmp_path) / "tsa.crt").read_bytes()
    for digest, roots in ((DIGEST, other), (hashlib.sha256(b"else").digest(), trusted), (DIGEST, b"")):
        with pytest.raises(DataError):
            check_response(response, digest, roots)


def test_a_changed_time_does_not_hold(authority: Path) -> None:
    response = stamped(authority, request(PAGE))
    at = read_response(response).at
    written = at.replace("-", "").replace("T", "").replace(":", "").encode()
    assert response.count(written) == 1
    forged = response.replace(written, b"2020" + written[4:])
    assert read_response(forged).at.startswith("2020")
    with pytest.raises(DataError, match="does not hold"):
        check_response(forged, DIGEST, (authority / "tsa.crt").read_bytes())
