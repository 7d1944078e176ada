"""The message authentication code of STAMP packets: HMAC-SHA-256 cut to 16 octets (RFC 8762 4.4)."""

import hmac
from functools import lru_cache

TAG_OCTETS = 16


@lru_cache(maxsize=16)
def _keyed(key: bytes) -> hmac.HMAC:
    return hmac.new(key, digestmod="sha256")


def tag(key: bytes, data: bytes) -> bytes:
    """The first 16 octets of HMAC-SHA-256 over `data`; taking a key in anew would cost as much again."""
    code = _keyed(key).copy()
    code.update(data)
    return code.digest()[:TAG_OCTETS]


def tag_fits(key: bytes, data: bytes, received: bytes) -> bool:
    """Compare in a time that does not depend on where the tags differ."""
    return hmac.compare_digest(tag(key, data), received)
