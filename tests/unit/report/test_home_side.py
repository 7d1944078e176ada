"""What a claim's papers say of the home's own network: of those hours and of what was measured."""

import pytest
from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.model import Cause, Owner
from whichhop.model.dossier import Claim, Dossier, Happened, Wiring
from whichhop.model.units import NS_PER_S
from whichhop.report.contents import Paper
from whichhop.report.home_side import home_cleared
from whichhop.report.html import page

pytestmark = pytest.mark.slow

UNCONDITIONAL = "own network was measured at the same moments and was not the cause"


def beside(*faults: Happened) -> Dossier:
    made = dossier()
    return replace(made, episodes=(*made.episodes, *faults))


def radio(from_s: int = -60, to_s: int | None = 30) -> Happened:
    """A fault of the Wi-Fi, in seconds since the line's began."""
    (line,) = dossier().episodes
    return replace(
        line,
        cause=Cause.WIRELESS_HOP,
        elements=("desk/attic",),
        where="the link desk to attic",
        claimed=False,
        start_ns=line.start_ns + from_s * NS_PER_S,
        end_ns=None if to_s is None else line.start_ns + to_s * NS_PER_S,
    )


def claim_in(made: Dossier) -> Claim:
    assert made.claim is not None
    return made.claim


def words(made: Dossier, paper: Paper) -> str:
    return page(made, paper).replace("\u00a0", " ").replace("&#x27;", "'").partition('<script type="app')[0]


@pytest.mark.parametrize("paper", list(Paper))
def test_no_paper_clears_all_of_the_home_beside_a_fault_in_it(paper: Paper) -> None:
    said = words(beside(radio()), paper)
    assert f"The home's {UNCONDITIONAL}" not in said
    assert f"My {UNCONDITIONAL}" not in said
    assert "the wireless hop (the link desk to attic)" in said
    assert "What it did is left out of these figures." in said
    # The recorded line's fault begins at 10:48:20 UTC, in Lisbon in winter: the Wi-Fi's a minute before.
    assert "10:47:20 to 10:48:50 WET (UTC+0)" in said
    assert "The rest of " in said


def test_a_fault_of_the_home_at_another_hour_is_none_beside_the_claim() -> None:
    made = beside(radio(-600, -300))
    said = home_cleared(made, claim_in(made))
    assert said.startswith(f"The home's {UNCONDITIONAL}")


def test_what_goes_on_is_told_with_its_begin() -> None:
    made = beside(radio(-60, None))
    assert "since 2026-11-25 10:47:20 WET (UTC+0), still ongoing" in home_cleared(made, claim_in(made))


def test_the_same_place_again_is_told_once_with_how_often() -> None:
    made = beside(radio(-60, -5), radio(0, 10), radio(15, 30))
    said = home_cleared(made, claim_in(made))
    assert said.count("the link desk to attic") == 1
    assert "10:48:20 to 10:48:50 WET (UTC+0), 2 times" in said


def test_what_could_not_be_left_out_is_not_said_to_be() -> None:
    made = beside(radio())
    claim = replace(claim_in(made), not_left_out=("desk/attic",))
    said = home_cleared(made, claim)
    assert "Its share could not be left out" in said
    assert "is left out" not in said


def test_a_home_that_was_not_measured_then_is_not_cleared() -> None:
    made = dossier()
    figures = tuple(
        replace(f, value=None, low=None, high=None, count=0) if f.name == "beside-loss" else f
        for f in claim_in(made).figures
    )
    said = home_cleared(made, replace(claim_in(made), figures=figures))
    assert said == "The home's own network was not measured at the same moments, so it is not excluded."


def test_where_nothing_is_claimed_the_home_is_not_cleared() -> None:
    made = dossier()
    claim = replace(claim_in(made), made=False, missing=("own traffic is not known",))
    for paper in Paper:
        assert "was not the cause;" not in words(replace(made, claim=claim), paper)


def test_the_homes_own_traffic_is_a_fault_beside_it_too() -> None:
    own = replace(radio(), cause=Cause.OWN_TRAFFIC, elements=("own-traffic",), where="the home's own traffic")
    made = beside(own)
    assert "was at fault as well: the home's own traffic, 2026" in home_cleared(made, claim_in(made))


def test_the_caveat_of_the_cabling_stays() -> None:
    made = replace(beside(radio()), wiring=Wiring.GOOD)
    assert "is not excluded, though every level" in home_cleared(made, claim_in(made))


def test_a_report_of_a_fault_of_the_home_does_not_acquit_the_provider_of_another_that_may_be_the_lines() -> (
    None
):
    made = dossier()
    claim = replace(claim_in(made), made=False, missing=(), cause=Cause.WIRELESS_HOP, owner=Owner.HOME)
    either = ("own-traffic", "modem/provider-edge")
    line = replace(radio(), cause=Cause.NOT_SEPARABLE, elements=either, where="the line or own traffic")
    acquitted = words(replace(made, claim=claim), Paper.REPORT)
    assert "Not the provider's fault, as far as was measured" in acquitted
    said = words(replace(made, claim=claim, episodes=(*made.episodes, line)), Paper.REPORT)
    assert "Not the provider's fault, as far as was measured" not in said
    assert "this may have been the provider's: one of these: the line or own traffic, 2026" in said
