"""Decibels over a millivolt and a milliwatt, and the fixed-point steps in which modems report them."""

import math

COAX_OHMS = 75.0
"""Nominal impedance of cable television's coax."""


def dbm_offset(ohms: float = COAX_OHMS) -> float:
    """What dBmV exceeds dBm by: 1 mV over R ohms is 1e-3/R mW, so 30 + 10 lg R; 48.75 dB at 75 ohm."""
    return 30.0 + 10.0 * math.log10(ohms)


def dbm_to_dbmv(power_dbm: float, ohms: float = COAX_OHMS) -> float:
    """Level in dBmV across `ohms` of a power in dBm."""
    return power_dbm + dbm_offset(ohms)


def dbuv_to_dbmv(level_dbuv: float) -> float:
    """Level in dBmV of one in dB over a microvolt: 1 mV is 60 dB over 1 uV."""
    return plain(level_dbuv - 60.0)


def plain(value: float) -> float:
    """The value with a negative zero made plain, so that "-0.0 dBmV" is never shown or stored."""
    return value + 0.0


def from_tenths(raw: int) -> float:
    """TenthdBmV or TenthdB (RFC 4546) to dBmV or dB."""
    return plain(raw / 10)


def from_quarters(raw: int) -> float:
    """Quarter dBmV (DOCSIS 3.1's OFDMA transmit power) to dBmV."""
    return plain(raw / 4)


def from_hundredths(raw: int) -> float:
    """Hundredths of a dB (DOCSIS 3.1's mean modulation error ratio) to dB."""
    return plain(raw / 100)
