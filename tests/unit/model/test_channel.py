"""A channel's name and words."""

from whichhop.model import Carrier, Channel, Direction, ModemLevels


def test_channels_of_one_id_but_different_carriers_have_different_names() -> None:
    names = {
        Channel(direction=Direction.DOWN, channel_id=33, carrier=carrier).name
        for carrier in (Carrier.SC_QAM, Carrier.OFDM)
    }
    assert names == {"down-33", "down-ofdm-33"}


def test_modulations_are_written_as_the_trade_writes_them() -> None:
    words = [
        Channel(direction=Direction.UP, channel_id=1, carrier=Carrier.ATDMA, modulation=m).modulation_words
        for m in (4, 64, None)
    ]
    assert words == ["QPSK", "64-QAM", "unknown"]


def test_a_reading_gives_its_channels_by_direction() -> None:
    down = Channel(direction=Direction.DOWN, channel_id=1, carrier=Carrier.SC_QAM)
    up = Channel(direction=Direction.UP, channel_id=1, carrier=Carrier.ATDMA)
    levels = ModemLevels(node="modem", at_ns=0, channels=(up, down))
    assert levels.direction(Direction.DOWN) == (down,)
    assert levels.direction(Direction.UP) == (up,)
