"""An emulated cable modem's SNMP tables: levels follow from a cable run, so a splitter taken out shows."""

from collections.abc import Mapping

from msgspec import Struct

from whichhop.cabling.run import expected_dbmv, run_loss_db
from whichhop.model.cable_run import Run
from whichhop.wire import docs_mib as mib

FIRST_INDEX = 1001
"""ifIndex of the first channel, far above the interfaces that the agent's own machine has."""


class ModemState(Struct, frozen=True, kw_only=True):
    """What the emulated modem sees. noise_db: SNR at 0 dBmV and above; below, it falls with the level.

    codewords: (unerrored, corrected, uncorrectable) that every downstream channel has counted.
    unlocked: ids of downstream channels without a signal.
    """

    run: Run
    down_hz: tuple[int, ...] = tuple(501_000_000 + 6_000_000 * i for i in range(8))
    up_hz: tuple[int, ...] = (17_800_000, 24_200_000, 30_600_000, 37_000_000)
    wanted_at_tap_dbmv: float = 30.0
    noise_db: float = 41.0
    codewords: tuple[int, int, int] = (0, 0, 0)
    unlocked: frozenset[int] = frozenset()
    t3_timeouts: int = 0


Value = tuple[str, int]
"""A type's name in the pass-through protocol of the SNMP agent, and the value."""


def _down(state: ModemState, number: int, frequency_hz: int, index: int) -> Mapping[mib.Oid, Value]:
    open_ = number in state.unlocked
    level = 0.0 if open_ else expected_dbmv(state.run, frequency_hz)
    snr = 0.0 if open_ else state.noise_db + min(level, 0.0) / 2
    unerrored, corrected, lost = (0, 0, 0) if open_ else state.codewords
    return {
        (*mib.DOWN_ID, index): ("integer", number),
        (*mib.DOWN_FREQUENCY, index): ("integer", 0 if open_ else frequency_hz),
        (*mib.DOWN_WIDTH, index): ("integer", 6_000_000),
        (*mib.DOWN_MODULATION, index): ("integer", 4),
        (*mib.DOWN_POWER, index): ("integer", round(level * 10)),
        (*mib.SIGNAL_UNERRORED, index): ("counter", unerrored % 2**32),
        (*mib.SIGNAL_CORRECTED, index): ("counter", corrected % 2**32),
        (*mib.SIGNAL_UNCORRECTABLE, index): ("counter", lost % 2**32),
        (*mib.SIGNAL_NOISE, index): ("integer", round(snr * 10)),
    }


def transmit_dbmv(run: Run, frequency_hz: float, wanted_at_tap_dbmv: float) -> float:
    """What the modem must send for a level to arrive at the tap: the way back loses the same parts' dB."""
    return wanted_at_tap_dbmv + run_loss_db(run, frequency_hz, upstream=True)


def _up(state: ModemState, number: int, frequency_hz: int, index: int) -> Mapping[mib.Oid, Value]:
    power = transmit_dbmv(state.run, frequency_hz, state.wanted_at_tap_dbmv)
    return {
        (*mib.UP_ID, index): ("integer", number),
        (*mib.UP_FREQUENCY, index): ("integer", frequency_hz),
        (*mib.UP_WIDTH, index): ("integer", 6_400_000),
        (*mib.UP_TYPE, index): ("integer", 2),
        (*mib.IF3_UP_POWER, index): ("integer", round(power * 10)),
        (*mib.IF3_UP_T3, index): ("counter", state.t3_timeouts),
        (*mib.IF3_UP_T4, index): ("counter", 0),
        (*mib.IF3_UP_RANGING, index): ("integer", 4),
    }


def modem_tables(state: ModemState) -> dict[mib.Oid, Value]:
    """Every object that the emulated modem answers, with the type that the agent is told."""
    out: dict[mib.Oid, Value] = {}
    index = FIRST_INDEX
    for number, frequency_hz in enumerate(state.down_hz, 1):
        out.update(_down(state, number, frequency_hz, index))
        index += 1
    for number, frequency_hz in enumerate(state.up_hz, 1):
        out.update(_up(state, number, frequency_hz, index))
        index += 1
    return out
