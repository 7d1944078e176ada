"""Timestamp fields of test packets (NTP, truncated PTPv2), their error estimate, and what times are worth.

A time is whole nanoseconds since 1970 UTC, a field is the 64-bit number on the wire. NTP: RFC 5905 6, seconds
since 1900 and a binary fraction. PTPv2 truncated: RFC 8186 2.2, seconds since 1970 and nanoseconds. Both roll
over after 2^32 s, so decoding needs a time nearby, and differences are taken modulo 2^32 s.

A kernel stamp differs from the wire by 5 to 15 us at its 99th percentile (this project's own target), and
rounding to 5 us adds 1.4 us (step / sqrt 12); a send time is needed only to place a packet in its window of
seconds. Kept to the nanosecond, a minute's send times alone take about 110 bytes of pure pacing noise.
"""

from array import array
from functools import lru_cache

from msgspec import Struct
from msgspec.structs import replace

from whichhop.model import ABSENT, Columns, Record
from whichhop.model.units import NS_PER_S

NTP_EPOCH_S = 2_208_988_800
"""Seconds from 1900-01-01 to 1970-01-01 (RFC 5905 figure 4)."""
ERA_NS = NS_PER_S << 32
"""After so many nanoseconds a 32-bit count of seconds starts again."""

_EPOCH_NS = NTP_EPOCH_S * NS_PER_S
_HALF_ERA_NS = ERA_NS // 2
_MASK64 = (1 << 64) - 1
_MASK32 = (1 << 32) - 1

SENT_STEP_NS = 1_000_000
DELAY_STEP_NS = 5_000


def ntp_from_utc(at_ns: int) -> int:
    """The NTP field of a time, rounded down (a stamp is never in the future); any era."""
    return ((at_ns + _EPOCH_NS) << 32) // NS_PER_S & _MASK64


def ptp_from_utc(at_ns: int) -> int:
    """The truncated PTPv2 field of a time.

    The seconds are counted as handed in: a clock on the PTP time scale (TAI) adds its own offset from UTC.
    """
    seconds, ns = divmod(at_ns, NS_PER_S)
    return (seconds & _MASK32) << 32 | ns


def utc_from_field(field: int, *, ptp: bool, near_ns: int) -> int | None:
    """The time of a field, in the era nearest to `near_ns`.

    None for a PTPv2 field that has a second's worth of nanoseconds, which none can have.
    """
    if ptp:
        ns = field & _MASK32
        if ns >= NS_PER_S:
            return None
        at_ns = (field >> 32) * NS_PER_S + ns
    else:
        # to the nearest nanosecond: a field is finer (0.23 ns), so what ntp_from_utc made comes back whole
        at_ns = ((field * NS_PER_S + (1 << 31)) >> 32) - _EPOCH_NS
    return near_ns + (at_ns - near_ns + _HALF_ERA_NS) % ERA_NS - _HALF_ERA_NS


def field_from_utc(at_ns: int, *, ptp: bool) -> int:
    """The field of a time in the format that the error estimate's Z bit names."""
    return ptp_from_utc(at_ns) if ptp else ntp_from_utc(at_ns)


class ErrorEstimate(Struct, frozen=True, kw_only=True):
    """How wrong a sender of stamps believes its clock to be (RFC 4656 4.1.2, Z bit: RFC 8186 2.3).

    synced: S, the clock follows UTC by an outside source.
    ptp: Z, the stamps beside it are truncated PTPv2.
    The error is multiplier x 2^(scale - 32) seconds; multiplier 0 marks a corrupt packet.
    """

    synced: bool
    ptp: bool
    scale: int
    multiplier: int

    @classmethod
    @lru_cache(maxsize=256)  # an end hardly ever changes its word
    def from_field(cls, field: int) -> "ErrorEstimate":
        """Read the 16-bit field."""
        return cls(
            synced=bool(field & 0x8000),
            ptp=bool(field & 0x4000),
            scale=field >> 8 & 0x3F,
            multiplier=field & 0xFF,
        )

    @property
    def field(self) -> int:
        """The 16-bit field."""
        return self.synced << 15 | self.ptp << 14 | self.scale << 8 | self.multiplier

    @property
    def corrupt(self) -> bool:
        """True when the multiplier is 0."""
        return self.multiplier == 0

    @property
    def error_ns(self) -> int:
        """The stated error in ns, rounded up."""
        return -(-self.multiplier * NS_PER_S << self.scale >> 32)

    @property
    def utc_error_ns(self) -> int | None:
        """The stated error against UTC; None when the clock follows nothing, so that nothing is known."""
        return self.error_ns if self.synced and not self.corrupt else None


LARGEST_ERROR = (63, 255)
"""Scale and multiplier of the largest error that fits, for a clock of which nothing is known."""


def estimate_error(error_ns: int | None, *, synced: bool, ptp: bool = False) -> ErrorEstimate:
    """The least estimate that is not below `error_ns`; the largest there is when None or beyond it.

    A clock that follows nothing must say synced=False whatever it believes (RFC 4656 4.1.2).
    """
    if error_ns is not None:
        units = max(1, -(-(error_ns << 32) // NS_PER_S))  # of 2^-32 s, rounded up
        scale = max(0, units.bit_length() - 8)
        multiplier = -(-units >> scale)
        if multiplier > 0xFF:  # rounding up carried into a ninth bit
            scale, multiplier = scale + 1, 0x80
        if scale <= LARGEST_ERROR[0]:
            return ErrorEstimate(synced=synced, ptp=ptp, scale=scale, multiplier=multiplier)
    scale, multiplier = LARGEST_ERROR
    return ErrorEstimate(synced=synced and error_ns is not None, ptp=ptp, scale=scale, multiplier=multiplier)


def _nearest(values: "array[int]", step: int) -> "array[int]":
    half = step // 2
    return array("q", [v if v == ABSENT else (v + half) // step * step for v in values])


def settle(record: Record, *, sent_step_ns: int = SENT_STEP_NS, delay_step_ns: int = DELAY_STEP_NS) -> Record:
    """The record with send times and delays in whole steps; applying it twice changes nothing more.

    Send times are rounded down, so that none leaves its minute or its order; delays to the nearest step.
    """
    columns = record.samples
    return replace(
        record,
        samples=Columns(
            sent_ns=array("q", [v // sent_step_ns * sent_step_ns for v in columns.sent_ns]),
            fate=columns.fate,
            rtt_ns=_nearest(columns.rtt_ns, delay_step_ns),
            out_ns=_nearest(columns.out_ns, delay_step_ns),
            queue_ns=_nearest(columns.queue_ns, delay_step_ns),
        ),
    )
