"""Decibels over a millivolt and a milliwatt, and the fixed-point steps in which modems report them."""

import math
from collections.abc import Iterable

COAX_OHMS = 75.0
"""Nominal impedance of cable television's coax."""


def dbmv_to_mv(level_dbmv: float) -> float:
    """Millivolts rms of a level in dBmV: 0 dBmV is 1 mV."""
    return float(10.0 ** (level_dbmv / 20.0))


def mv_to_dbmv(millivolts: float) -> float:
    """Level in dBmV of a voltage in mV rms; ValueError unless it is above zero."""
    if not millivolts > 0.0:
        raise ValueError(f"a level needs a voltage above 0 mV, not {millivolts}")
    return 20.0 * math.log10(millivolts)


def dbm_offset(ohms: float = COAX_OHMS) -> float:
    """What dBmV exceeds dBm by: 1 mV over R ohms is 1e-3/R mW, so 30 + 10 lg R; 48.75 dB at 75 ohm."""
    return 30.0 + 10.0 * math.log10(ohms)


def dbmv_to_dbm(level_dbmv: float, ohms: float = COAX_OHMS) -> float:
    """Power in dBm of a level in dBmV across `ohms`."""
    return level_dbmv - dbm_offset(ohms)


def dbm_to_dbmv(power_dbm: float, ohms: float = COAX_OHMS) -> float:
    """Level in dBmV across `ohms` of a power in dBm."""
    return power_dbm + dbm_offset(ohms)


def dbuv_to_dbmv(level_dbuv: float) -> float:
    """Level in dBmV of one in dB over a microvolt: 1 mV is 60 dB over 1 uV."""
    return plain(level_dbuv - 60.0)


def total_dbmv(levels_dbmv: Iterable[float]) -> float:
    """Level of several channels together: powers add; -inf when there are none."""
    power = sum(10.0 ** (level / 10.0) for level in levels_dbmv)
    return 10.0 * math.log10(power) if power > 0.0 else -math.inf


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
