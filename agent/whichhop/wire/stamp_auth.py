"""The message authentication code of STAMP packets: HMAC-SHA-256 cut to 16 octets (RFC 8762 4.4)."""

import hmac

TAG_OCTETS = 16


def tag(key: bytes, data: bytes) -> bytes:
    """The first 16 octets of HMAC-SHA-256 over `data`."""
    return hmac.digest(key, data, "sha256")[:TAG_OCTETS]


def tag_fits(key: bytes, data: bytes, received: bytes) -> bool:
    """Compare in a time that does not depend on where the tags differ."""
    return hmac.compare_digest(tag(key, data), received)
