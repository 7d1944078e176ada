"""Why a received packet was not used; a value, so that callers can count it."""

from enum import StrEnum


class Refusal(StrEnum):
    """The reasons; the value is what counters and metrics show."""

    TRUNCATED = "truncated"
    """Shorter than its kind allows."""
    MALFORMED = "malformed"
    """A field holds what its standard forbids."""
    CORRUPT_ESTIMATE = "corrupt-estimate"
    """Error estimate with multiplier 0, which RFC 4656 4.1.2 calls corrupt."""
    BAD_TAG = "bad-tag"
    """The HMAC does not fit the octets and our key."""
    REPLAYED = "replayed"
    """Authenticated, but already seen, or long past by a stamp whose clock and ours are both right."""
    LOOPED = "looped"
    """No ask: it quotes a stamp of our own, as an answer to one of our answers does."""
    UNASKED = "unasked"
    """Well formed, but answers nothing we asked."""
    OTHER_KIND = "other-kind"
    """Well formed, but a message that is not ours to read."""
    FAILED = "failed"
    """Answers what we asked by saying that it could not be done, as a resolver's server failure does."""
