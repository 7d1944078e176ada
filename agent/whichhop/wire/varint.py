"""Whole numbers and short texts as few bytes: seven bits a byte, signs folded in (zigzag)."""

from whichhop.errors import DataError

_MAX_BYTES = 10  # 70 bits hold any 64-bit value; a longer run is damage, not a number


def put_unsigned(out: bytearray, value: int) -> None:
    """Append a number that is not negative and below 2**70."""
    if not 0 <= value < 1 << (7 * _MAX_BYTES):
        raise DataError(f"the number {value} does not fit a record; keep it within 64 bits")
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    out.append(value)


def put_signed(out: bytearray, value: int) -> None:
    """Append any number within 64 bits; small ones of either sign stay short."""
    put_unsigned(out, value << 1 if value >= 0 else (-value << 1) - 1)


def put_text(out: bytearray, text: str) -> None:
    """Append a text: its length in bytes, then UTF-8."""
    data = text.encode("utf-8")
    put_unsigned(out, len(data))
    out += data


class Reader:
    """Walks bytes from the front; every way to run past the end is a DataError with a reason."""

    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0

    def unsigned(self) -> int:
        """The next number."""
        if self.at < len(self.data) and (only := self.data[self.at]) < 0x80:  # most are one byte long
            self.at += 1
            return only
        value = 0
        for place in range(_MAX_BYTES):
            if self.at >= len(self.data):
                raise DataError("packed record is damaged: it ends inside a number")
            byte = self.data[self.at]
            self.at += 1
            value |= (byte & 0x7F) << (7 * place)
            if byte < 0x80:
                return value
        raise DataError("packed record is damaged: a number runs on for more than 64 bits")

    def signed(self) -> int:
        """The next number, with its sign."""
        folded = self.unsigned()
        return folded >> 1 if folded & 1 == 0 else -((folded + 1) >> 1)

    def take(self, count: int) -> bytes:
        """The next `count` bytes."""
        if count > len(self.data) - self.at:
            raise DataError(f"packed record is damaged: {count} bytes wanted, fewer are left")
        self.at += count
        return self.data[self.at - count : self.at]

    def text(self) -> str:
        """The next text."""
        try:
            return self.take(self.unsigned()).decode("utf-8")
        except UnicodeDecodeError:
            raise DataError("packed record is damaged: a name is not UTF-8") from None
