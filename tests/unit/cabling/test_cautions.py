"""Cautions: complete, each once, and always deferring to local codes."""

from whichhop.cabling.cautions import CAUTIONS, DEFER, Hazard, cautions_for, cut_services, hazards_of
from whichhop.model.cable_run import Cable, CableKind, Joint, Pad, Splitter


def test_every_hazard_has_its_caution() -> None:
    assert set(CAUTIONS) == set(Hazard)


def test_cautions_come_once_each_and_end_with_local_codes() -> None:
    lines = cautions_for([Hazard.LIGHTNING, Hazard.MAINS, Hazard.MAINS])
    assert lines == (CAUTIONS[Hazard.MAINS], CAUTIONS[Hazard.LIGHTNING], DEFER)
    assert "licensed practice" in DEFER


def test_no_hazard_no_caution() -> None:
    assert cautions_for(hazards_of([Pad(loss_db=3.0)])) == ()


def test_a_bonding_block_is_never_touched_without_the_grounding_caution() -> None:
    assert Hazard.GROUNDING in hazards_of([Joint(name="bonding block")])
    assert Hazard.GROUNDING not in hazards_of([Joint(name="wall plate")])


def test_new_cable_warns_of_walls_carpets_attics_ladders_and_lightning() -> None:
    assert {Hazard.WALL, Hazard.CARPET, Hazard.CRAWL, Hazard.LADDER, Hazard.LIGHTNING} <= set(
        hazards_of([Cable(kind=CableKind.RG_6, length_m=5)])
    )


def test_safety_services_are_named_first() -> None:
    part = Splitter(ways=3, serves=("television", "telephone"))
    assert cut_services([part]) == ("telephone", "television")
