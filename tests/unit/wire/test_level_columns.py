"""Headings to facts, and words for a lock."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.model.levels_source import Fact
from whichhop.wire.level_columns import ColumnMap


@pytest.mark.parametrize(
    ("heading", "fact"),
    [
        ("Total Uncorrectable Codewords", Fact.UNCORRECTABLE),
        ("Uncorrected", Fact.UNCORRECTABLE),
        ("Total Correctable Codewords", Fact.CORRECTED),
        ("Unerrored", Fact.UNERRORED),
        ("Total Codewords", Fact.TOTAL),
        ("Channel ID", Fact.CHANNEL_ID),
        ("Channel", Fact.INDEX),
        ("Channel Width", Fact.WIDTH),
        ("Frequency (MHz)", Fact.FREQUENCY),
        ("Signal to Noise Ratio", Fact.SNR),
        ("SNR/MER", Fact.SNR),
        ("Power Level", Fact.POWER),
        ("Lock Status", Fact.LOCKED),
        ("US Channel Type", Fact.CARRIER),
        ("T3 Timeouts", Fact.T3),
        ("Symbol Rate", None),
        ("", None),
        ("561000000 Hz", None),
    ],
)
def test_the_trades_usual_headings(heading: str, fact: Fact | None) -> None:
    assert ColumnMap().fact_of(heading) is fact


def test_the_home_files_words_come_first() -> None:
    names = ColumnMap(headings={Fact.POWER: "Channel", Fact.SNR: "Störabstand"})
    assert names.fact_of("Channel") is Fact.POWER
    assert names.fact_of("STÖRABSTAND (dB)") is Fact.SNR


def test_a_whole_heading_beats_a_part_of_one() -> None:
    names = ColumnMap(headings={Fact.CORRECTED: "Behebbar", Fact.UNCORRECTABLE: "Nicht behebbar"})
    assert names.fact_of("Nicht behebbar") is Fact.UNCORRECTABLE
    assert names.fact_of("Behebbar") is Fact.CORRECTED


def test_of_two_columns_with_one_fact_the_first_is_taken() -> None:
    assert ColumnMap().facts_of(["Power", "Power", "SNR"]) == {0: Fact.POWER, 2: Fact.SNR}


@pytest.mark.parametrize(
    ("word", "locked"),
    [("Locked", True), ("OK", True), ("Not Locked", False), ("Unlocked", False), ("0", False), ("1", True),
     ("Success", True), ("Aborted", False), ("Not Synchronized", False), ("", None), ("purple", None)],
)  # fmt: skip
def test_words_for_a_lock(word: str, locked: bool | None) -> None:
    assert ColumnMap().is_locked(word) is locked


def test_with_a_word_of_ones_own_all_others_mean_unlocked() -> None:
    names = ColumnMap(locked=("verriegelt",))
    assert names.is_locked("Verriegelt") is True
    assert names.is_locked("offen") is False


@given(st.text(max_size=60))
def test_any_heading_is_a_fact_or_none_and_any_word_a_lock_or_not(text: str) -> None:
    columns = ColumnMap()
    assert columns.fact_of(text) is None or columns.fact_of(text) in Fact
    assert columns.is_locked(text) in (True, False, None)
