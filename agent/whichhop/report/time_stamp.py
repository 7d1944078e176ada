"""A third party's word on when a report was there (RFC 3161), asked for and checked by rfc3161-client."""

import rfc3161_client as rfc3161
from cryptography.x509 import load_pem_x509_certificates
from msgspec import Struct

from whichhop.errors import DataError


class Stamped(Struct, frozen=True, kw_only=True):
    """What a response says. at: its time, ISO 8601 UTC; digest: what it was asked about (SHA-256)."""

    at: str
    digest: bytes
    serial: int


def request(report: bytes) -> bytes:
    """TimeStampReq (2.4.1) over a report's SHA-256; asks for the signer's certificate."""
    asked = rfc3161.TimestampRequestBuilder().data(report).hash_algorithm(rfc3161.HashAlgorithm.SHA256)
    return bytes(asked.build().as_bytes())


def _decoded(data: bytes) -> rfc3161.TimeStampResponse:
    try:
        found = rfc3161.decode_timestamp_response(data)
        status = rfc3161.PKIStatus(found.status)
        if status not in (rfc3161.PKIStatus.GRANTED, rfc3161.PKIStatus.GRANTED_WITH_MODS):
            raise DataError(f"time-stamp response: refused ({status.name}); ask the authority why")
    except ValueError as why:
        raise DataError(f"time-stamp response: cannot be read ({why}); ask for it again") from why
    return found


def read_response(data: bytes) -> Stamped:
    """TimeStampResp (2.4.2), its signature not looked at. DataError when refused or misshapen."""
    found = _decoded(data)
    try:
        info = found.tst_info
        imprint = info.message_imprint
        if imprint.hash_algorithm.dotted_string != "2.16.840.1.101.3.4.2.1":  # RFC 5754 section 2.2
            raise DataError("time-stamp response: its digest is not SHA-256; send the request as written")
        at = info.gen_time.isoformat().replace("+00:00", "Z")
        return Stamped(at=at, digest=bytes(imprint.message), serial=info.serial_number)
    except ValueError as why:
        raise DataError(f"time-stamp response: cannot be read ({why}); ask for it again") from why


def check_response(data: bytes, digest: bytes, authority_pem: bytes) -> None:
    """DataError unless one of these authorities signed that response for that digest (2.3, RFC 5652)."""
    try:
        roots = load_pem_x509_certificates(authority_pem)
    except ValueError as why:
        raise DataError("the authority's file holds no certificate; give it as PEM") from why
    builder = rfc3161.VerifierBuilder()
    for root in roots:
        builder = builder.add_root_certificate(root)
    try:
        builder.build().verify(_decoded(data), digest)
    except (rfc3161.VerificationError, ValueError) as why:
        raise DataError(f"its signature does not hold: {' '.join(str(why).split())}") from why
