"""What a change to the run would gain, what it would cut, and what to mind."""

import pytest

from whichhop.cabling.cautions import DEFER
from whichhop.cabling.what_if import CoaxChange, changed, ideas, parse_change, what_if
from whichhop.errors import DataError
from whichhop.model.cable_run import Amplifier, Cable, CableKind, Coupler, Pad, Part, Run, Splitter

RUN = Run(
    tap_dbmv={1e6: 12.0},
    parts=(
        Cable(kind=CableKind.RG_59, length_m=30.48),
        Splitter(ways=2, serves=("alarm panel", "television")),
        Amplifier(gain_db=10.0),
    ),
)


def test_a_two_way_splitter_taken_out_gains_3_5_db_both_ways() -> None:
    # common practice: 3.5 dB a leg
    outcome = what_if(RUN, CoaxChange(at=2), (100e6, 700e6))
    assert [g.gain_db for g in outcome.gains] == pytest.approx([3.5, 3.5])
    assert [g.upstream_gain_db for g in outcome.gains] == pytest.approx([3.5, 3.5])
    assert outcome.words.startswith("take out part 2 (2-way splitter")


def test_a_coupler_for_a_splitter_gains_2_1_db_and_keeps_the_others_served() -> None:
    # by hand: 3.5 dB less 1.4 dB of a 9 dB coupler's through output
    new = Coupler(value_db=9, serves=("alarm panel", "television"))
    outcome = what_if(RUN, CoaxChange(at=2, instead=new), (600e6,))
    assert outcome.gains[0].gain_db == pytest.approx(2.1)
    assert outcome.cuts == ()


def test_a_thicker_cable_gains_what_the_tables_differ_by() -> None:
    # by hand, 100 ft at 750 MHz: 6.97 - 5.65 = 1.32 dB
    outcome = what_if(RUN, CoaxChange(at=1, instead=Cable(kind=CableKind.RG_6, length_m=30.48)), (750e6,))
    assert outcome.gains[0].gain_db == pytest.approx(1.32)


def test_taking_a_splitter_out_names_what_it_cuts_safety_first() -> None:
    outcome = what_if(RUN, CoaxChange(at=2), (600e6,))
    assert outcome.cuts == ("alarm panel", "television")
    assert any("telephone or alarm" in c for c in outcome.cautions)
    assert outcome.cautions[-1] == DEFER


def test_touching_an_amplifier_warns_of_mains() -> None:
    outcome = what_if(RUN, CoaxChange(at=3), (600e6,))
    assert outcome.gains[0].gain_db == pytest.approx(-10.0)
    assert any("mains" in c for c in outcome.cautions)
    assert any(c.startswith("Unplug an amplifier") for c in outcome.cautions)


def test_a_part_that_is_not_there_is_refused() -> None:
    for at in (0, 4):
        with pytest.raises(IndexError, match=f"part {at} of 3"):
            changed(RUN, CoaxChange(at=at))


def test_every_idea_can_be_worked_out_and_wins_something() -> None:
    changes = ideas(RUN)
    assert len(changes) == 3  # the old cable, and the splitter out or replaced
    for change in changes:
        assert what_if(RUN, change, (600e6,)).gains[0].gain_db > 1.0


@pytest.mark.parametrize(
    ("text", "at", "instead"),
    [
        ("remove 2", 2, None),
        ("replace 2 coupler 9", 2, Coupler(value_db=9, serves=("alarm panel", "television"))),
        ("Replace 2 splitter 4", 2, Splitter(ways=4, serves=("alarm panel", "television"))),
        ("replace 1 rg-6", 1, Cable(kind=CableKind.RG_6, length_m=30.48)),
        ("replace 1 RG-11 12.5", 1, Cable(kind=CableKind.RG_11, length_m=12.5)),
        ("replace 3 pad 6", 3, Pad(loss_db=6.0)),
    ],
)
def test_a_change_as_a_person_types_it(text: str, at: int, instead: Part | None) -> None:
    assert parse_change(text, RUN) == CoaxChange(at=at, instead=instead)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is not understood"),
        ("remove", "is not understood"),
        ("remove 9", "the run has parts 1 to 3"),
        ("remove 2 rg-6", "nothing comes after"),
        ("replace 2", "is not understood"),
        ("replace 2 coupler 7", "is not understood"),
        ("replace 2 splitter 5", "is not understood"),
        ("replace 2 rg-6", "a cable cannot stand for 2-way splitter; put a splitter or a coupler"),
        ("replace 1 coupler 9", "a coupler cannot stand for 30.48 m of RG-59; put another cable"),
        ("replace 2 pad 6", "a pad cannot stand for"),
        ("replace 1 rg-6 0", "no cable of a home is 0 m long"),
        ("replace 1 rg-6 5000", "no cable of a home is 5000 m long"),
        ("replace 3 pad 90", "no pad of 90 dB"),
        ("replace 3 pad", "is not understood"),
    ],
)
def test_a_change_that_makes_no_sense_is_one_clear_line(text: str, words: str) -> None:
    with pytest.raises(DataError, match=words) as caught:
        parse_change(text, RUN)
    assert "\n" not in str(caught.value)
