"""Signs the head of an agent's chain with the agent's own key, in a child that ends.

`python -m whichhop.config.countersign IDENTITY`: a line of JSON on stdin (origin, seq, head, at_ns), a
ChainSignature on stdout. The daemon is small since it never loads what signs.
"""

import sys
from pathlib import Path

import msgspec

from whichhop.config.identity import signing_key
from whichhop.errors import WhichhopError
from whichhop.model.chain_signature import ChainSignature, signed_octets


class Head(msgspec.Struct, frozen=True, kw_only=True):
    """Where a chain stands; octets in hexadecimal."""

    origin: str
    seq: int
    head: str
    at_ns: int


def countersigned(identity_file: Path, head: Head) -> ChainSignature:
    """The signature; KeyFileError when the key can be neither read nor made."""
    key = signing_key(identity_file)
    what = signed_octets(bytes.fromhex(head.origin), head.seq, bytes.fromhex(head.head), head.at_ns)
    return ChainSignature(
        seq=head.seq,
        head=head.head,
        at_ns=head.at_ns,
        public_key=key.public_key().public_bytes_raw().hex(),
        signature=key.sign(what).hex(),
    )


def main(words: list[str]) -> int:
    """Print the signature, or the complaint on stderr with exit code 2."""
    try:
        head = msgspec.json.decode(sys.stdin.buffer.read(), type=Head)
        sys.stdout.buffer.write(msgspec.json.encode(countersigned(Path(words[0]), head)))
    except WhichhopError as trouble:
        sys.stderr.write(f"{trouble}\n")
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
