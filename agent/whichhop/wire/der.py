"""The few parts of ASN.1's distinguished encoding (ITU-T X.690) that a time-stamp needs, both ways."""

from collections.abc import Iterator
from dataclasses import dataclass

from whichhop.errors import DataError

BOOLEAN, INTEGER, OCTETS, NULL, OID, SEQUENCE = 0x01, 0x02, 0x04, 0x05, 0x06, 0x30
GENERALIZED_TIME = 0x18
MOST = 1 << 20


def put(tag: int, content: bytes) -> bytes:
    """Tag, length and content (X.690 8.1)."""
    size = len(content)
    if size < 0x80:
        return bytes([tag, size]) + content
    length = size.to_bytes((size.bit_length() + 7) // 8, "big")
    return bytes([tag, 0x80 | len(length)]) + length + content


def put_integer(value: int) -> bytes:
    """A whole number from 0 up, with a leading zero octet where its top bit is set (X.690 8.3)."""
    return put(INTEGER, value.to_bytes(value.bit_length() // 8 + 1, "big"))


@dataclass(frozen=True, slots=True)
class Part:
    """One element: its tag and its content."""

    tag: int
    content: bytes

    def parts(self) -> list["Part"]:
        """The elements inside a constructed one."""
        return list(read(self.content))


def read(data: bytes) -> Iterator[Part]:
    """The elements one after the other; DataError for anything cut or not in definite form."""
    at = 0
    while at < len(data):
        if at + 2 > len(data):
            raise DataError("time-stamp is damaged: it ends inside an element")
        tag, size = data[at], data[at + 1]
        at += 2
        if size & 0x80:
            count = size & 0x7F
            if not 1 <= count <= 4 or at + count > len(data):
                raise DataError("time-stamp is damaged: a length cannot be read")
            size = int.from_bytes(data[at : at + count], "big")
            at += count
        if size > MOST or at + size > len(data):
            raise DataError("time-stamp is damaged: it ends inside an element")
        yield Part(tag, data[at : at + size])
        at += size
