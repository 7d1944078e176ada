"""A request for a third party's time-stamp, and what its response says (RFC 3161), bytes in and out."""

import re
from dataclasses import dataclass

from whichhop.errors import DataError
from whichhop.wire.der import (
    BOOLEAN,
    GENERALIZED_TIME,
    INTEGER,
    NULL,
    OCTETS,
    OID,
    SEQUENCE,
    Part,
    put,
    put_integer,
    read,
)

SHA256 = bytes.fromhex("608648016503040201")
"""2.16.840.1.101.3.4.2.1 (RFC 5754 section 2.2)."""
SIGNED_DATA = bytes.fromhex("2a864886f70d010702")
"""1.2.840.113549.1.7.2 (RFC 5652 section 5.1)."""
TST_INFO = bytes.fromhex("2a864886f70d0109100104")
"""1.2.840.113549.1.9.16.1.4 (RFC 3161 section 2.4.2)."""
GRANTED = (0, 1)
"""PKIStatus granted and grantedWithMods (RFC 3161 section 2.4.2)."""


def request(digest: bytes, nonce: int) -> bytes:
    """TimeStampReq (RFC 3161 2.4.1) for a SHA-256 digest; asks for the signer's certificate."""
    algorithm = put(SEQUENCE, put(OID, SHA256) + put(NULL, b""))
    imprint = put(SEQUENCE, algorithm + put(OCTETS, digest))
    return put(SEQUENCE, put_integer(1) + imprint + put_integer(nonce) + put(BOOLEAN, b"\xff"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Stamped:
    """What a response says. at: its time, ISO 8601 UTC; digest: what it was asked about (SHA-256)."""

    at: str
    digest: bytes
    serial: int


def _need(parts: list[Part], place: int, tag: int, what: str) -> Part:
    if place >= len(parts) or parts[place].tag != tag:
        raise DataError(f"time-stamp response: {what} is not where RFC 3161 has it; ask for it again")
    return parts[place]


def read_response(data: bytes) -> Stamped:
    """TimeStampResp (RFC 3161 2.4.2). DataError when refused or misshapen.

    The authority's signature is not checked here: that needs its certificate, which only the reader can
    decide to trust (`openssl ts -verify` does it).
    """
    whole = list(read(data))
    outer = _need(whole, 0, SEQUENCE, "the response").parts()
    status = _need(_need(outer, 0, SEQUENCE, "its status").parts(), 0, INTEGER, "its status").content
    if int.from_bytes(status, "big") not in GRANTED:
        raise DataError(f"time-stamp response: refused with status {status.hex()}; ask the authority why")
    token = _need(outer, 1, SEQUENCE, "the token").parts()
    if _need(token, 0, OID, "the token's type").content != SIGNED_DATA:
        raise DataError("time-stamp response: the token is not signed data; ask for it again")
    signed = _need(_need(token, 1, 0xA0, "the signed data").parts(), 0, SEQUENCE, "the signed data").parts()
    wrapped = _need(signed, 2, SEQUENCE, "the content").parts()
    if _need(wrapped, 0, OID, "the content's type").content != TST_INFO:
        raise DataError("time-stamp response: the token holds something else; ask for it again")
    octets = _need(_need(wrapped, 1, 0xA0, "the content").parts(), 0, OCTETS, "the content").content
    return _info(octets)


def _info(octets: bytes) -> Stamped:
    info = _need(list(read(octets)), 0, SEQUENCE, "the stamp").parts()
    imprint = _need(info, 2, SEQUENCE, "the digest").parts()
    algorithm = _need(_need(imprint, 0, SEQUENCE, "the digest's kind").parts(), 0, OID, "the digest's kind")
    if algorithm.content != SHA256:
        raise DataError("time-stamp response: its digest is not SHA-256; send the request as it was written")
    digest = _need(imprint, 1, OCTETS, "the digest").content
    serial = int.from_bytes(_need(info, 3, INTEGER, "the serial number").content, "big")
    written = _need(info, 4, GENERALIZED_TIME, "the time").content.decode("ascii", "replace")
    found = re.fullmatch(r"(\d{4})(\d\d)(\d\d)(\d\d)(\d\d)(\d\d(?:\.\d+)?)Z", written)
    if found is None:
        raise DataError(f"time-stamp response: {written!r} is not a time in UTC; ask for it again")
    y, mo, d, h, mi, s = found.groups()
    return Stamped(at=f"{y}-{mo}-{d}T{h}:{mi}:{s}Z", digest=digest, serial=serial)
