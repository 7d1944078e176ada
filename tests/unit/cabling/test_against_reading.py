"""What a run lets one expect against what the modem reads."""

import pytest

from support.channels import down, up
from whichhop.cabling.against_reading import compare
from whichhop.cabling.run import expected_dbmv
from whichhop.model import Carrier, Channel
from whichhop.model.cable_run import Cable, CableKind, Filter, Run, Splitter

RUN = Run(
    tap_dbmv={100e6: 10.0},
    parts=(Cable(kind=CableKind.RG_6, length_m=30.48), Splitter(ways=2)),
)


def modem(run: Run, offset_db: float = 0.0) -> list[Channel]:
    """What a modem at the end of a run reads."""
    freqs = [150_000_000 + 50_000_000 * i for i in range(12)]
    return [
        down(i, frequency_hz=f, power_dbmv=round(expected_dbmv(run, f) + offset_db, 1))
        for i, f in enumerate(freqs, 1)
    ]


def test_a_reading_that_the_list_explains() -> None:
    difference = compare(RUN, modem(RUN, 0.8))
    assert difference.explained
    assert difference.excess_db == pytest.approx(-0.8, abs=0.1)
    assert "explain the reading" in difference.words


def test_a_forgotten_splitter_shows_as_the_same_loss_everywhere() -> None:
    real = Run(tap_dbmv=RUN.tap_dbmv, parts=(*RUN.parts, Splitter(ways=2)))
    difference = compare(RUN, modem(real))
    assert difference.excess_db == pytest.approx(3.5, abs=0.1)
    assert difference.slope_db == pytest.approx(0.0, abs=0.1)
    assert "1 two-way split" in difference.words


def test_a_longer_cable_than_listed_grows_with_frequency() -> None:
    real = Run(tap_dbmv=RUN.tap_dbmv, parts=(*RUN.parts, Cable(kind=CableKind.RG_59, length_m=45.0)))
    difference = compare(RUN, modem(real))
    assert difference.slope_db is not None
    assert difference.slope_db > 2.0
    assert "longer or poorer cable" in difference.words


def test_loss_that_is_worse_at_low_frequencies_is_told_apart() -> None:
    real = Run(
        tap_dbmv=RUN.tap_dbmv,
        parts=(*RUN.parts, Filter(name="unknown", low_hz=280e6, loss_db=0.0, stop_db=9.0)),
    )
    assert "worse at low frequencies" in compare(RUN, modem(real)).words


def test_more_level_than_expected_is_told() -> None:
    assert "more than expected" in compare(RUN, modem(RUN, 6.0)).words


def test_only_locked_single_carriers_downstream_are_compared() -> None:
    channels = [up(1), down(1, locked=False), down(2, carrier=Carrier.OFDM), down(3, power_dbmv=None)]
    difference = compare(RUN, channels)
    assert difference.rows == ()
    assert difference.excess_db is None
    assert not difference.explained
    assert "no downstream channel" in difference.words
