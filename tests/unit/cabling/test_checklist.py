"""The inspection list covers what the trade looks at, with its dangers."""

from whichhop.cabling.cautions import CHECKLIST, Hazard


def test_the_list_covers_shielding_pins_dirt_loose_connectors_and_terminators() -> None:
    text = " ".join(f"{c.what} {c.bad_when} {c.remedy}" for c in CHECKLIST).lower()
    for word in ("shielding", "pin is bent", "dirt", "turns by hand", "terminator", "splitter", "amplifier"):
        assert word in text


def test_every_entry_says_what_to_see_what_it_does_and_what_to_do() -> None:
    for check in CHECKLIST:
        assert check.what
        assert check.bad_when
        assert check.effect
        assert check.remedy


def test_ground_and_splitters_carry_their_dangers() -> None:
    by_what = {c.what: c for c in CHECKLIST}
    ground = next(c for w, c in by_what.items() if "bonding" in w)
    assert {Hazard.GROUNDING, Hazard.LIGHTNING} <= set(ground.hazards)
    assert Hazard.ALARM in by_what["splitters"].hazards
