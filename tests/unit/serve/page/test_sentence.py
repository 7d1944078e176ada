import pytest
from msgspec.structs import replace

from support.bulletins import (
    MINUTE_NS,
    NOW_NS,
    SLOW_NAMES,
    at_fault,
    calm,
    group,
    learning,
    silent,
    told,
    with_links,
)
from support.live import busy_state
from whichhop.compare.words import explain, owner_words
from whichhop.model import CAUSE_TABLE, Cause, Owner, Severity
from whichhop.model.bulletin import HEARD_NS, AgentNow, Bulletin, DeviceUse, LinkState, OwnUse
from whichhop.model.units import NS_PER_S
from whichhop.serve.page.document import bulletin_page
from whichhop.serve.page.sentence import OLD_NS, Mood, Sentence, answer, blame, lasting_now


def of(bulletin: Bulletin, now_ns: int = NOW_NS) -> Sentence:
    return answer(bulletin, now_ns)


def test_each_state_has_its_sentence_and_mood() -> None:
    found = {name: (of(b).mood, of(b).words) for name, b in {
        "calm": calm(),
        "fault": at_fault(),
        "group": group(),
        "learning": learning(),
        "silent": silent(),
    }.items()}  # fmt: skip
    assert found == {
        "calm": (Mood.NO_FAULT, "No fault found."),
        "fault": (Mood.FAULT, "The backhaul between attic and router is at fault."),
        "group": (Mood.UNSURE, "Something is wrong in one of 3 places."),
        "learning": (Mood.WAITING, "Still learning what is usual in this home."),
        "silent": (Mood.WAITING, "No agent is heard, so nothing is determined."),
    }


def test_a_fault_says_whose_it_is_how_sure_since_when_and_what_is_felt() -> None:
    found = of(at_fault())
    assert found.more[0].replace("\u00a0", " ") == "It is the home's to fix. 98 % sure."
    assert "28 ms added" in found.more[1]
    assert found.since_ns == NOW_NS - 12 * MINUTE_NS


def test_a_group_names_its_members() -> None:
    assert of(group()).more[1] == (
        "These cannot be told apart: the wireless hop between desk and attic, the box attic itself and "
        "the backhaul between attic and router."
    )


@pytest.mark.parametrize("cause", Cause)
def test_every_cause_makes_a_whole_sentence(cause: Cause) -> None:
    elements = ("desk/attic", "attic/router") if cause is Cause.NOT_SEPARABLE else ("desk/attic",)
    verdict = told(cause, elements, 0.9, hours=1, minutes=None).verdict
    links = {k.name: k for k in calm().links}
    words = blame(verdict, links)
    assert words[0].isupper()
    assert words.endswith(".")
    assert "{" not in words
    assert blame(replace(verdict, proven=False), links).startswith("Probably ")


@pytest.mark.parametrize("cause", Cause)
def test_what_is_over_is_told_in_the_past(cause: Cause) -> None:
    one = told(cause, ("desk/attic",), 0.9, hours=1, minutes=5)
    links = {k.name: k for k in calm().links}
    said = [blame(one.verdict, links), blame(replace(one.verdict, place="the access line"), links)]
    said += [w for w in explain(one.verdict) if not w.startswith(("Ruled out", "To be surer"))]
    if cause is Cause.HEALTHY:
        return
    present = {"is", "fills", "are", "forwards"}
    assert not [w for w in said if present.intersection(w.replace(".", "").split())]
    ongoing = replace(one.verdict, end_ns=None)
    assert blame(ongoing, links) != said[0]
    assert blame(one.verdict, links, over=False) == blame(ongoing, links)


def test_the_lines_end_is_told_as_one_place_in_plain_words() -> None:
    one = told(Cause.NOT_SEPARABLE, ("modem/provider-edge", "route:router"), 0.995, hours=1, minutes=None)
    place = "the access line, its modem and coax or the WAN side of router"
    verdict = replace(one.verdict, proven=False, place=place)
    found = of(replace(calm(), told=(replace(one, verdict=verdict),)))
    assert found.mood is Mood.UNSURE
    assert found.words == (
        "The access line, its modem and coax or the WAN side of router: one of these is at fault."
    )
    assert "Not proven to be the provider's" in found.more[0]
    assert "sure that it is one of them" in found.more[0]


def test_an_unproven_verdict_is_not_shown_as_certain() -> None:
    one = told(Cause.UPSTREAM_LINK, ("modem/provider-edge",), 0.97, hours=1, minutes=None)
    found = of(replace(calm(), told=(replace(one, verdict=replace(one.verdict, proven=False)),)))
    assert (found.mood, found.words) == (
        Mood.UNSURE,
        "Probably the access line is at fault; proof is still missing.",
    )


def test_what_somebody_can_mend_is_told_before_what_nobody_can() -> None:
    nobody = told(Cause.RESPONDER, ("reply:router",), 0.99, hours=1, minutes=None)
    home = told(Cause.WIRELESS_HOP, ("desk/attic",), 0.96, hours=1, minutes=None)
    over = told(Cause.BACKHAUL, ("attic/router",), 1.0, hours=1, minutes=5)
    found = replace(calm(), told=(nobody, home, over))
    assert [t.verdict.cause for t in lasting_now(found)] == [Cause.WIRELESS_HOP, Cause.RESPONDER]
    assert of(found).told is home


def test_what_lets_nothing_through_is_told_before_what_is_slow_and_surer() -> None:
    """A line dead from the start stood behind a laptop's sleep on the page."""
    slow = told(Cause.WIRELESS_HOP, ("desk/attic",), 0.97, hours=1, minutes=None)
    dead = told(Cause.NOT_SEPARABLE, ("modem/provider-edge", "forward:modem"), 0.95, hours=1, minutes=None)
    whole = Severity(sent=264, lost=264, loss_ratio=1.0)
    dead = replace(dead, verdict=replace(dead.verdict, severity=whole))
    assert of(replace(calm(), told=(slow, dead))).told is dead
    half = replace(dead, verdict=replace(dead.verdict, severity=replace(whole, loss_ratio=0.5)))
    assert of(replace(calm(), told=(slow, half))).told is slow


@pytest.mark.parametrize(("own", "told_first"), [(0.88, True), (0.45, False)])
def test_of_several_places_the_one_likelier_than_all_others_is_told(own: float, told_first: bool) -> None:
    one = told(Cause.NOT_SEPARABLE, ("own-traffic", "modem/provider-edge"), 0.98, hours=1, minutes=None)
    shares = {"own-traffic": own, "modem/provider-edge": 0.49}
    found = of(replace(calm(), told=(replace(one, verdict=replace(one.verdict, shares=shares)),)))
    likeliest = [
        line for line in found.more if line.startswith("Likeliest of them: the home's own traffic (88")
    ]
    assert bool(likeliest) is told_first


def test_a_bulletin_that_is_old_is_not_believed() -> None:
    bulletin = at_fault()
    assert of(bulletin, bulletin.at_ns + OLD_NS).mood is Mood.FAULT
    found = of(bulletin, bulletin.at_ns + OLD_NS + 1)
    assert (found.mood, found.since_ns) == (Mood.WAITING, bulletin.at_ns)
    assert found.words == "Nothing new has been heard from the comparer."


def test_calm_is_said_with_a_reserve_while_an_agent_is_silent_or_a_link_is_suspected() -> None:
    late = calm().at_ns - HEARD_NS
    agents = (AgentNow(name="desk", heard_ns=late - NS_PER_S), AgentNow(name="study", heard_ns=late))
    assert of(replace(calm(), agents=agents)).words == "No fault found as far as is heard; desk is silent."
    suspect = with_links(calm(), desk__attic={"state": LinkState.SUSPECTED, "probability": 0.62})
    found = of(suspect)
    assert (found.mood, found.words) == (Mood.UNSURE, "Something may be starting between desk and attic.")
    assert "62" in found.more[0]


def test_in_the_first_minutes_what_is_suspected_is_not_said_to_begin() -> None:
    """A loss that was there before measuring read "may be starting", "over 99 % sure so far, not enough"."""
    suspect = with_links(calm(), desk__attic={"state": LinkState.SUSPECTED, "probability": 0.995})
    found = of(replace(suspect, levels_s=90.0))
    assert found.words == "Something may be wrong between desk and attic."
    assert "known in about 90 seconds" in found.more[1]
    assert "By its last ten seconds" in found.more[0]


@pytest.mark.parametrize("seconds", [40, 90])
def test_who_does_not_answer_is_told_from_the_first_seconds_on_and_when_that_is_judged(seconds: int) -> None:
    since_ns = calm().at_ns - seconds * NS_PER_S
    early = replace(calm(), since_ns=since_ns, levels_s=120.0, unanswered=("provider-edge", "harbour"))
    for bulletin in (early, replace(early, learning_s=20.0)):
        last = of(bulletin).more[-1]
        assert last.startswith("No answer so far from provider-edge and harbour.")
        assert ("once a minute was measured" in last) == (seconds < 60)


def test_a_home_measured_for_minutes_is_not_said_to_answer_as_usual() -> None:
    young = replace(calm(), since_ns=calm().at_ns - 200 * NS_PER_S)
    assert of(young).more[0].startswith("In the 3 min 20 s measured so far")
    assert "as it usually does" in of(calm()).more[0]


def test_what_no_agent_can_judge_is_not_called_calm() -> None:
    unknown = {"state": LinkState.UNKNOWN}
    blind = replace(calm(), links=tuple(replace(k, state=LinkState.UNKNOWN) for k in calm().links))
    assert (of(blind).mood, of(blind).words) == (Mood.WAITING, "Not determined now.")
    some = of(with_links(calm(), desk__attic=unknown, attic__router=unknown))
    assert (some.mood, some.words) == (Mood.UNSURE, "No fault found on the hops that are measured.")
    assert some.more[0].startswith(
        "Not measured now: the wireless hop between desk and attic and the backhaul between attic and "
    )


def test_a_fault_found_while_learning_goes_on_is_told() -> None:
    assert of(replace(at_fault(), learning_s=60.0)).mood is Mood.FAULT


def test_every_owner_has_words() -> None:
    assert {CAUSE_TABLE[c].owner for c in Cause} == set(Owner)
    for cause in Cause:
        verdict = told(cause, ("desk/attic",), 0.9, hours=1, minutes=None).verdict
        assert bool(owner_words(verdict)) == (CAUSE_TABLE[cause].owner is not Owner.NOBODY)


def test_own_traffic_is_told_with_its_device_against_the_plan() -> None:
    use = OwnUse(down_bps=1e5, up_bps=4.2e6, devices=(DeviceUse(name="nas", down_bps=0.0, up_bps=4.1e6),))
    verdict = told(Cause.OWN_TRAFFIC, ("own-traffic",), 0.96, hours=0.1, minutes=None)
    found = replace(calm(), told=(verdict,), own_use=use, plan_down_bps=50e6, plan_up_bps=5e6)
    assert "Own traffic: upload by nas, 4.2 of 5 Mbit/s." in answer(found, NOW_NS).more
    # A fault of the line says nothing of whose traffic there is.
    line = replace(
        found, told=(told(Cause.UPSTREAM_LINK, ("modem/provider-edge",), 0.97, hours=0.1, minutes=None),)
    )
    assert not [words for words in answer(line, NOW_NS).more if "Own traffic" in words]


def test_what_is_felt_though_no_hop_is_slow_is_a_sentence_of_its_own() -> None:
    found = of(replace(calm(), felt=(SLOW_NAMES,)))
    assert (found.mood, found.words) == (
        Mood.UNSURE,
        "No hop is slow, but Resolver house: name service answers slowly.",
    )
    assert "240 ms" in " ".join(found.more)
    html = bulletin_page(replace(at_fault(), felt=(SLOW_NAMES,)), live=busy_state(), now_ns=NOW_NS).decode()
    assert "Felt besides, though no hop is slow by it: Resolver house: name service answers slowly" in html


def test_a_group_that_is_over_is_told_as_sure_that_it_was_one_of_them() -> None:
    # Seen: "Over 99 % sure." beside a place whose likeliest member was at 56 %.
    one = told(Cause.NOT_SEPARABLE, ("desk/attic", "node:attic"), 0.96, hours=2, minutes=10)
    page = bulletin_page(replace(calm(), told=(one,), steps=("Move desk",)), live=busy_state(), now_ns=NOW_NS)
    text = page.decode().replace("\u00a0", " ")
    assert "96 % sure that it was one of them." in text
    assert "What to do next" not in text
    assert "What the last day suggests to do" in text
