"""SNMP values to channels, by RFC 4546 and the DOCSIS 3.0 and 3.1 modules."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.model import Carrier, Channel, Direction
from whichhop.wire import docs_mib as mib

# RFC 4546 (read): docsIfMib is transmission 127; DOCSIS modules lie below 1.3.6.1.4.1.4491.2.1 (compiled)
OBJECTS = {
    "docsIfDownChannelFrequency": (mib.DOWN_FREQUENCY, "1.3.6.1.2.1.10.127.1.1.1.1.2"),
    "docsIfDownChannelWidth": (mib.DOWN_WIDTH, "1.3.6.1.2.1.10.127.1.1.1.1.3"),
    "docsIfDownChannelModulation": (mib.DOWN_MODULATION, "1.3.6.1.2.1.10.127.1.1.1.1.4"),
    "docsIfDownChannelPower": (mib.DOWN_POWER, "1.3.6.1.2.1.10.127.1.1.1.1.6"),
    "docsIfUpChannelFrequency": (mib.UP_FREQUENCY, "1.3.6.1.2.1.10.127.1.1.2.1.2"),
    "docsIfUpChannelWidth": (mib.UP_WIDTH, "1.3.6.1.2.1.10.127.1.1.2.1.3"),
    "docsIfUpChannelType": (mib.UP_TYPE, "1.3.6.1.2.1.10.127.1.1.2.1.15"),
    "docsIfSigQUnerroreds": (mib.SIGNAL_UNERRORED, "1.3.6.1.2.1.10.127.1.1.4.1.2"),
    "docsIfSigQCorrecteds": (mib.SIGNAL_CORRECTED, "1.3.6.1.2.1.10.127.1.1.4.1.3"),
    "docsIfSigQUncorrectables": (mib.SIGNAL_UNCORRECTABLE, "1.3.6.1.2.1.10.127.1.1.4.1.4"),
    "docsIfSigQSignalNoise": (mib.SIGNAL_NOISE, "1.3.6.1.2.1.10.127.1.1.4.1.5"),
    "docsIfSigQExtUnerroreds": (mib.SIGNAL_EXT_UNERRORED, "1.3.6.1.2.1.10.127.1.1.4.1.8"),
    "docsIfSigQExtCorrecteds": (mib.SIGNAL_EXT_CORRECTED, "1.3.6.1.2.1.10.127.1.1.4.1.9"),
    "docsIfSigQExtUncorrectables": (mib.SIGNAL_EXT_UNCORRECTABLE, "1.3.6.1.2.1.10.127.1.1.4.1.10"),
    "docsIfCmStatusTxPower": (mib.CM_TX_POWER, "1.3.6.1.2.1.10.127.1.2.2.1.3"),
    "docsIfCmStatusT3Timeouts": (mib.CM_T3, "1.3.6.1.2.1.10.127.1.2.2.1.12"),
    "docsIfCmStatusT4Timeouts": (mib.CM_T4, "1.3.6.1.2.1.10.127.1.2.2.1.13"),
    "docsIf3CmStatusUsTxPower": (mib.IF3_UP_POWER, "1.3.6.1.4.1.4491.2.1.20.1.2.1.1"),
    "docsIf3SignalQualityExtRxMER": (mib.IF3_RX_MER, "1.3.6.1.4.1.4491.2.1.20.1.24.1.1"),
    "docsIf31CmDsOfdmChanChannelId": (mib.OFDM_ID, "1.3.6.1.4.1.4491.2.1.28.1.9.1.1"),
    "docsIf31CmDsOfdmProfileStatsTotalCodewords": (mib.OFDM_TOTAL, "1.3.6.1.4.1.4491.2.1.28.1.10.1.3"),
    "docsIf31CmDsOfdmProfileStatsCorrectedCodewords": (
        mib.OFDM_CORRECTED,
        "1.3.6.1.4.1.4491.2.1.28.1.10.1.4",
    ),
    "docsIf31CmDsOfdmProfileStatsUncorrectableCodewords": (
        mib.OFDM_UNCORRECTABLE,
        "1.3.6.1.4.1.4491.2.1.28.1.10.1.5",
    ),
    "docsIf31CmDsOfdmChannelPowerRxPower": (mib.OFDM_POWER, "1.3.6.1.4.1.4491.2.1.28.1.11.1.3"),
    "docsIf31CmUsOfdmaChanTxPower": (mib.OFDMA_POWER, "1.3.6.1.4.1.4491.2.1.28.1.13.1.10"),
    "docsPnmCmDsOfdmRxMerMean": (mib.OFDM_MER_MEAN, "1.3.6.1.4.1.4491.2.1.27.1.2.5.1.3"),
}


@pytest.mark.parametrize("name", sorted(OBJECTS))
def test_object_identifiers(name: str) -> None:
    oid, text = OBJECTS[name]
    assert ".".join(map(str, oid)) == text


def test_every_object_lies_under_one_of_the_walks() -> None:
    for oid, _ in OBJECTS.values():
        assert any(oid[: len(root)] == root for root in mib.WALKS), oid


def row(index: int, **columns: int) -> dict[mib.Oid, int]:
    return {(*getattr(mib, name), index): value for name, value in columns.items()}


DOWN_48 = row(
    48,
    DOWN_ID=5,
    DOWN_FREQUENCY=561_000_000,
    DOWN_WIDTH=6_000_000,
    DOWN_MODULATION=4,
    DOWN_POWER=-73,
    SIGNAL_NOISE=381,
    SIGNAL_UNERRORED=9990,
    SIGNAL_CORRECTED=8,
    SIGNAL_UNCORRECTABLE=2,
)


def test_a_downstream_channel_in_tenths_becomes_plain_decibels() -> None:
    (channel,) = mib.channels_of(DOWN_48)
    assert channel == Channel(
        direction=Direction.DOWN,
        channel_id=5,
        carrier=Carrier.SC_QAM,
        frequency_hz=561_000_000,
        width_hz=6_000_000,
        modulation=256,
        locked=True,
        power_dbmv=-7.3,
        mer_db=38.1,
        unerrored=9990,
        corrected=8,
        uncorrectable=2,
    )


def test_64_bit_counters_and_the_finer_ratio_are_preferred() -> None:
    finer = row(48, SIGNAL_EXT_UNERRORED=5_000_009_990, SIGNAL_EXT_CORRECTED=8, SIGNAL_EXT_UNCORRECTABLE=2)
    (channel,) = mib.channels_of({**DOWN_48, **finer, **row(48, IF3_RX_MER=379)})
    assert channel.unerrored == 5_000_009_990
    assert channel.mer_db == 37.9


def test_noughts_that_mean_unknown_are_unknown() -> None:
    # RFC 4546: frequency, width and ratio answer 0 where they are not known
    dead = row(49, DOWN_ID=0, DOWN_FREQUENCY=0, DOWN_WIDTH=0, DOWN_MODULATION=1, DOWN_POWER=0, SIGNAL_NOISE=0)
    (channel,) = mib.channels_of(dead)
    assert (channel.frequency_hz, channel.width_hz, channel.mer_db, channel.modulation) == (None,) * 4
    assert channel.locked is False
    assert channel.channel_id == 49


def test_the_interfaces_state_tells_a_lock_first() -> None:
    (channel,) = mib.channels_of({**DOWN_48, **row(48, IF_OPER_STATUS=2)})
    assert channel.locked is False


def test_several_upstream_channels_each_have_their_own_level() -> None:
    values = {
        **row(80, UP_ID=1, UP_FREQUENCY=36_500_000, UP_TYPE=2, IF3_UP_POWER=445, IF3_UP_RANGING=4),
        **row(81, UP_ID=2, UP_FREQUENCY=30_100_000, UP_TYPE=3, IF3_UP_POWER=438, IF3_UP_RANGING=2),
        **row(81, IF3_UP_T3=7),
        (*mib.CM_TX_POWER, 2): 999,
    }  # fmt: skip
    one, two = mib.channels_of(values)
    assert (one.power_dbmv, one.carrier, one.locked) == (44.5, Carrier.ATDMA, True)
    assert (two.power_dbmv, two.carrier, two.locked, two.t3_timeouts) == (43.8, Carrier.SCDMA, False, 7)


def test_a_modem_before_3_0_tells_its_level_with_its_status() -> None:
    values = {
        **row(4, UP_ID=1, UP_FREQUENCY=25_000_000, UP_TYPE=1),
        (*mib.CM_TX_POWER, 2): 472,
        (*mib.CM_T3, 2): 5,
        (*mib.CM_T4, 2): 1,
    }
    (channel,) = mib.channels_of(values)
    assert (channel.power_dbmv, channel.t3_timeouts, channel.t4_timeouts) == (47.2, 5, 1)


def test_an_ofdm_channel_is_joined_from_four_tables() -> None:
    values = {
        **row(60, OFDM_ID=33, OFDM_ZERO=700_000_000, OFDM_FIRST=1000, OFDM_LAST=2999, OFDM_SPACING=50),
        (*mib.OFDM_TOTAL, 60, 0): 6000,
        (*mib.OFDM_TOTAL, 60, 1): 4000,
        (*mib.OFDM_CORRECTED, 60, 0): 30,
        (*mib.OFDM_CORRECTED, 60, 1): 10,
        (*mib.OFDM_UNCORRECTABLE, 60, 0): 2,
        (*mib.OFDM_UNCORRECTABLE, 60, 1): 0,
        (*mib.OFDM_POWER, 60, 1): 21,
        (*mib.OFDM_POWER, 60, 2): 25,
        (*mib.OFDM_MER_MEAN, 60): 4123,
        (*mib.DOWN_FREQUENCY, 60): 1,
    }
    (channel,) = mib.channels_of(values)
    # by hand: 700 MHz + 50 kHz x (1000 + 2999)/2 = 799.975 MHz; 2000 x 50 kHz = 100 MHz wide
    assert channel.name == "down-ofdm-33"
    assert (channel.frequency_hz, channel.width_hz) == (799_975_000, 100_000_000)
    assert channel.power_dbmv == pytest.approx(2.3)
    assert channel.mer_db == 41.23
    # totals count all three kinds: 10000 - 40 - 2
    assert (channel.unerrored, channel.corrected, channel.uncorrectable) == (9958, 40, 2)


def test_an_ofdma_channels_level_comes_in_quarters() -> None:
    values = {
        **row(85, OFDMA_ZERO=104_800_000, OFDMA_FIRST=74, OFDMA_LAST=1969, OFDMA_SPACING=25, OFDMA_POWER=181),
        **row(85, OFDMA_RANGING=4, OFDMA_T3=0),
    }
    (channel,) = mib.channels_of(values)
    assert (channel.power_dbmv, channel.locked, channel.carrier) == (45.25, True, Carrier.OFDMA)
    assert channel.width_hz == 1896 * 25_000


def test_a_band_that_makes_no_sense_is_unknown() -> None:
    (channel,) = mib.channels_of(row(85, OFDMA_ZERO=1, OFDMA_FIRST=9, OFDMA_LAST=3, OFDMA_SPACING=25))
    assert (channel.frequency_hz, channel.width_hz) == (None, None)


def test_a_box_that_is_no_cable_modem_has_no_channels() -> None:
    assert mib.channels_of({(*mib.IF_OPER_STATUS, 1): 1}) == ()


COLUMNS = [column for column, _ in OBJECTS.values()]


@given(
    st.dictionaries(
        st.tuples(st.sampled_from(COLUMNS), st.lists(st.integers(0, 99), min_size=1, max_size=2)).map(
            lambda at: (*at[0], *at[1])
        ),
        st.integers(-(2**31), 2**64 - 1),
        max_size=40,
    )
)
def test_whatever_a_modem_answers_gives_channels_and_never_an_error(
    values: dict[tuple[int, ...], int],
) -> None:
    for channel in mib.channels_of(values):
        assert channel.direction in Direction
        assert channel.frequency_hz is None or channel.frequency_hz > 0
