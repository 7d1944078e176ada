"""The short form of a public key, for two people to compare by voice: on paper, pages and screens. Pure."""

import base64
import hashlib

_GROUP, _LETTERS = 4, 20
"""Five groups of four letters: 100 bits, beyond anybody's power to find a second key that has the same."""


def fingerprint(public_key: str) -> str:
    """Of a public key in hexadecimal: `ABCD-EFGH-...`, base 32 (RFC 4648 section 6) of its SHA-256."""
    digest = hashlib.sha256(b"whichhop key 1\0" + bytes.fromhex(public_key)).digest()
    letters = base64.b32encode(digest).decode()[:_LETTERS]
    return "-".join(letters[i : i + _GROUP] for i in range(0, _LETTERS, _GROUP))


def same_key(public_key: str, named: str) -> bool:
    """True when `named`, a fingerprint or a whole key however it is spaced and cased, is this key's."""
    bare = "".join(named.upper().split()).replace("-", "")
    return bare in (fingerprint(public_key).replace("-", ""), public_key.upper())
