"""The message authentication code of STAMP packets: HMAC-SHA-256 cut to 16 octets (RFC 8762 4.4)."""

import hashlib
import hmac
from functools import lru_cache

TAG_OCTETS = 16
_BLOCK_OCTETS = 64
"""Of SHA-256, which a key is filled up to (RFC 2104 2)."""


@lru_cache(maxsize=16)
def _keyed(key: bytes) -> "tuple[hashlib._Hash, hashlib._Hash]":
    """The inner and the outer hash with the key taken in, to be copied (RFC 2104 4)."""
    if len(key) > _BLOCK_OCTETS:
        key = hashlib.sha256(key).digest()
    block = key.ljust(_BLOCK_OCTETS, b"\0")
    inner, outer = (hashlib.sha256(bytes(octet ^ pad for octet in block)) for pad in (0x36, 0x5C))
    return inner, outer


def tag(key: bytes, data: bytes) -> bytes:
    """The first 16 octets of HMAC-SHA-256 over `data`.

    Four are made for a packet and its answer: the library's own object takes three times as long.
    """
    inner, outer = _keyed(key)
    within, around = inner.copy(), outer.copy()
    within.update(data)
    around.update(within.digest())
    return around.digest()[:TAG_OCTETS]


def tag_fits(key: bytes, data: bytes, received: bytes) -> bool:
    """Compare in a time that does not depend on where the tags differ."""
    return hmac.compare_digest(tag(key, data), received)
