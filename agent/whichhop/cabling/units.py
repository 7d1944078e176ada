"""Units of lengths and frequencies that people use for coax, beside model.decibels for the levels."""

from whichhop.model.decibels import (
    COAX_OHMS,
    dbm_offset,
    dbm_to_dbmv,
    dbmv_to_dbm,
    dbmv_to_mv,
    dbuv_to_dbmv,
    from_hundredths,
    from_quarters,
    from_tenths,
    mv_to_dbmv,
    plain,
    total_dbmv,
)

FOOT_M = 0.3048
"""Exact, by definition of the international foot."""
HUNDRED_FEET_M = 100 * FOOT_M


def mhz(value_hz: float) -> float:
    """Hertz to megahertz."""
    return value_hz / 1e6


__all__ = [
    "COAX_OHMS",
    "FOOT_M",
    "HUNDRED_FEET_M",
    "dbm_offset",
    "dbm_to_dbmv",
    "dbmv_to_dbm",
    "dbmv_to_mv",
    "dbuv_to_dbmv",
    "from_hundredths",
    "from_quarters",
    "from_tenths",
    "mhz",
    "mv_to_dbmv",
    "plain",
    "total_dbmv",
]
