"""A thousand homes on one screen: what many have in common once, the worst alone, the rest counted."""

from whichhop.app.fleet.homes import HomeFault, HomeRow, Standing
from whichhop.app.fleet.many import Judged
from whichhop.app.fleet.neighbours import neighbours_of, shared_faults
from whichhop.cli.answers.homes import SHOWN, Told, _text

NS = 1_000_000_000
START_NS = 1_767_268_800 * NS


def thousand() -> list[Judged]:
    """60 of region north share a fault of the line, 30 have one of their own, 10 are silent."""
    out = []
    for number in range(1000):
        name, faults, standing, region, step = f"Home {number:04d}", (), Standing.NO_FAULT, "south", ""
        if number < 60:
            faults = (fault("upstream-link", "modem/provider-edge", 0.99, number),)
            region, step = "north", "Ask the provider to check the line."
        elif number < 90:
            faults = (fault("backhaul", "attic/router", 0.9 - number / 1000, 7 * number),)
            step = "Move the attic node to where its backhaul hears the router better."
        if faults:
            standing = Standing.FAULT
        elif number < 100:
            standing = Standing.SILENT
        row = HomeRow(home=name, standing=standing, faults=faults, step=step)
        out.append(Judged(row=row, region=region))
    return sorted(out, key=lambda one: one.row.order)


def fault(cause: str, elements: str, probability: float, since_s: int) -> HomeFault:
    return HomeFault(
        cause=cause,
        elements=elements,
        probability=probability,
        since_ns=START_NS + since_s * NS,
        past=float(cause == "upstream-link"),
    )


def test_a_thousand_homes_fit_a_screen_and_none_is_forgotten() -> None:
    homes = thousand()
    rows, near = [one.row for one in homes], neighbours_of(homes, 3600 * NS)
    notes = {name: said.words for name, said in near.items()}
    told = Told(rows, notes, near, shared_faults(homes, near))
    lines = _text(told, every=False).splitlines()
    text = "\n".join(lines)
    assert len(lines) <= 80
    assert max(map(len, lines)) <= 100
    assert lines[0] == "1000 homes: 90 fault, 10 silent, 900 no fault."
    assert lines[1].startswith("Surest fault of each: 60 ")
    assert lines[3] == "Region north  fault past 60 of 60 homes"
    assert text.count("modem/provider-edge") == 1
    # The surest of those that stand alone come first, and the others are counted.
    assert text.count("attic/router") == SHOWN
    assert text.index("Home 0060") < text.index("Home 0061")
    assert lines[-1] == f"and {30 - SHOWN} more that are not well: --all lists them"
    assert "10 silent\n" in text
    whole = _text(told, every=True)
    assert all(row.home in whole for row in rows)
