"""The first page: one short episode is called that; a long one, or a second, is a trouble that lies there."""

import pytest
from msgspec.structs import replace

from support.dossiers import dossier
from whichhop.model.dossier import Dossier
from whichhop.report.blocks import Bullets, FactList, Notice, Para, Tone
from whichhop.report.sections.answer import SHORT_S, answer, one_short, shown_session, told_episodes

pytestmark = pytest.mark.slow


def notice(of: Dossier) -> Notice:
    (found,) = [b for b in answer(of).blocks if isinstance(b, Notice)]
    return found


def request(of: Dossier) -> str:
    (found,) = [b.text for b in answer(of).blocks if isinstance(b, Para) and "kindly ask" in b.text]
    return found


def test_a_claim_on_one_short_episode_says_so_in_its_first_line() -> None:
    lasting = dossier()
    (one,) = told_episodes(lasting)
    over = replace(lasting, episodes=(replace(one, end_ns=lasting.end_ns),))
    assert one_short(lasting)
    assert one_short(over)
    assert notice(lasting).head.endswith("one short episode so far")
    assert notice(lasting).head.startswith("The fault lies in")
    found = notice(over)
    assert found.tone is Tone.CLAIM
    assert found.head.startswith("The fault lay in")
    assert found.head.endswith("one short episode")
    assert "not that it keeps happening" in found.text
    assert "your own records" in request(over)


def test_a_long_episode_or_a_second_one_is_a_trouble_that_lies_there() -> None:
    said = dossier()
    (one,) = told_episodes(said)
    long = replace(one, end_ns=one.start_ns + round(SHORT_S * 1e9))
    again = replace(one, start_ns=one.start_ns + 10**12, end_ns=one.start_ns + 10**12 + 50 * 10**9)
    for episodes in ((long,), (one, again)):
        other = replace(said, episodes=episodes)
        assert not one_short(other)
        assert notice(other).head.startswith("The fault lies in")
        assert "look at this part of the path" in request(other)


def test_the_way_that_is_drawn_crosses_what_is_at_fault() -> None:
    # Seen: a fault between desk and attic, and the way of attic drawn, which has neither.
    said = dossier("wireless-hop")
    assert said.claim is not None
    session = shown_session(said)
    assert session is not None
    assert said.claim.elements[0] in {k.name for k in session.path.links}


def facts(of: Dossier) -> dict[str, str]:
    return dict(pair for b in answer(of).blocks if isinstance(b, FactList) for pair in b.pairs)


def test_one_machine_is_told_as_one() -> None:
    said = dossier()
    one = replace(said, sessions=said.sessions[:1])
    assert facts(one)["By"].startswith("1 measuring computer (agent), 1 session, ")
    assert "measuring computers (agents), " in facts(said)["By"]


def test_a_home_with_nothing_beside_the_fault_is_not_told_of_as_lost_of_0_packets() -> None:
    said = dossier("wireless-hop")
    assert said.claim is not None
    figures = tuple(
        replace(f, value=None, low=None, high=None, count=0) if f.name.startswith("beside-") else f
        for f in said.claim.figures
    )
    alone = replace(said, claim=replace(said.claim, figures=figures))
    (items,) = [b.items for b in answer(alone).blocks if isinstance(b, Bullets)]
    assert items[0] == "Beside it, at the same moments: nothing was measured, so nothing is told of it."
