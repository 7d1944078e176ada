"""Advice by measured benefit: every figure below is worked out by hand from rates, levels and episodes."""

import pytest
from msgspec.structs import replace

import whichhop.compare.standing.verdicts as standing_module
import whichhop.compare.verdict.verdict as verdict_module
from support.homes import alder
from whichhop.advice.facts import HomeFacts, fair_plan, newest_ns
from whichhop.advice.rank import advise, order
from whichhop.advice.step import Recommendation, RecommendationKind, step_words
from whichhop.advice.vantage import COUNTING
from whichhop.cabling.cautions import CAUTIONS, DEFER, Hazard
from whichhop.cabling.explain import Explanation
from whichhop.cabling.what_if import ideas
from whichhop.capacity.links import DOWN
from whichhop.capacity.plan import LineTest
from whichhop.capacity.transfers import Measured
from whichhop.compare.suspects.vantage import advice_for
from whichhop.model import (
    Carrier,
    Cause,
    Channel,
    Direction,
    LinkKind,
    ModemLevels,
    Reading,
    Severity,
    Verdict,
    derive_sessions,
)
from whichhop.model.cable_run import Box, Cable, CableKind, Run, Splitter
from whichhop.model.inner_cause import Cost, Effort
from whichhop.model.links import Owner

HOUR_NS = 3600 * 10**9
START = 1_767_268_800 * 10**9  # 2026-01-01 12:00 UTC, from `date -u -d 2026-01-01T12:00Z +%s`
DAY = 24 * HOUR_NS
HOME = alder("plan: {down_mbps: 100, up_mbps: 20}", "plan: {down_mbps: 400, up_mbps: 40}")


def verdict(
    cause: Cause, *elements: str, at_h: float = 1.0, hours: float = 1.0, proven: bool = True
) -> Verdict:
    start = START + round(at_h * HOUR_NS)
    return Verdict(
        cause=cause,
        elements=elements,
        probability=0.99,
        start_ns=start,
        end_ns=start + round(hours * HOUR_NS),
        severity=Severity(
            sent=3600, lost=180, added_p50_s=0.06, loss_ratio=0.05, loss_low=0.043, loss_high=0.058
        ),
        proven=proven,
        missing=() if proven else ("own traffic is not known",),
    )


def moved(agent: str, other_end: str, way: str, mbps: float, *, at_least: bool = False) -> Measured:
    return Measured(agent=agent, other_end=other_end, way=way, rate_bps=mbps * 1e6, at_least=at_least)


def known(**parts: object) -> HomeFacts:
    base = HomeFacts(
        home=HOME,
        home_file="alder.yaml",
        start_ns=START,
        end_ns=START + DAY,
        sessions=derive_sessions(HOME),
    )
    return replace(base, **parts)  # type: ignore[arg-type]


def only(found: tuple[Recommendation, ...], key: str) -> Recommendation:
    (one,) = [s for s in found if s.key == key]
    return one


def test_a_home_without_measurements_gets_no_advice_but_what_to_measure() -> None:
    found = advise(known(sessions=()))
    assert {s.kind for s in found} == {RecommendationKind.MEASURE}
    step = only(found, "measure-backhaul")
    assert step.commands == ()  # a transfer needs an agent at each end
    assert "run an agent on router" in step.why[0]


def test_a_slow_backhaul_is_wired_from_its_measured_rate_to_what_the_plan_leaves() -> None:
    rates = (moved("attic", "router", "back", 120), moved("attic", "router", "out", 90))
    at = {("attic", "router", "back"): START}
    step = only(advise(known(rates=rates, rated_ns=at)), "wire-backhaul")
    (gain,) = step.gains  # up, 90 Mbit/s already carry the plan's 40
    # 400 Mbit/s of frames of 1514 octets on the wire as the plan counts them, of which 1448 are data: see
    # stats/throughput.py; Ethernet would carry 1000 x 1448/1538 = 941 Mbit/s, so the plan is what remains.
    fair = fair_plan(HOME, DOWN)
    assert fair is not None
    assert fair == pytest.approx(400e6 * 1448 / 1514, rel=0.02)
    assert (gain.before, gain.after) == (120e6, fair)
    assert step.worth == pytest.approx((fair - 120e6) / fair)
    assert "a transfer attic from router moved 120.0 Mbit/s (2026-01-01 12:00:00 UTC)" in step.why
    ethernet, coax, power_line = step.ways
    assert ethernet.ceiling_bps == pytest.approx(1e9 * 1448 / 1538)
    assert coax.ceiling_bps == ethernet.ceiling_bps  # the port holds the adapter
    assert (power_line.low_bps, power_line.ceiling_bps) == (80e6, 250e6)  # common practice
    assert CAUTIONS[Hazard.MAINS] in step.cautions
    assert step.cautions[-1] == DEFER


def test_a_described_port_lowers_what_a_cable_would_open() -> None:
    rates = (moved("attic", "router", "back", 50),)
    boxes = (Box(node="attic", port_bps=100e6),)
    step = only(advise(known(rates=rates, boxes=boxes)), "wire-backhaul")
    assert step.gains[0].after == pytest.approx(100e6 * 1448 / 1538)  # 94.1 Mbit/s


def test_a_backhaul_that_carries_the_plan_is_left_alone() -> None:
    rates = (moved("attic", "router", "back", 390), moved("attic", "router", "out", 390))
    assert not [s for s in advise(known(rates=rates)) if "backhaul" in s.key]


def test_a_transfer_that_something_else_limited_is_no_evidence_against_the_backhaul() -> None:
    rates = (moved("attic", "router", "back", 120, at_least=True),)
    keys = [s.key for s in advise(known(rates=rates))]
    assert "wire-backhaul" not in keys
    assert "measure-backhaul" in keys


def test_steps_are_ranked_by_the_share_that_comes_back_rate_and_time_on_one_scale() -> None:
    verdicts = (
        verdict(Cause.WIRELESS_HOP, "desk/attic", at_h=1, hours=6),  # a quarter of the day
        verdict(Cause.OWN_TRAFFIC, "own-traffic", at_h=10, hours=1.2),  # a twentieth
        verdict(Cause.NOT_SEPARABLE, "router/modem", "modem/provider-edge", at_h=12, hours=6),
    )
    rates = (moved("attic", "router", "back", 40),)  # nine tenths of the plan are missing
    found = advise(known(verdicts=verdicts, rates=rates))
    assert [s.key for s in found[:4]] == [
        "wire-backhaul",
        "help-radio-hop",
        "add-vantage-point",
        "tame-queue",
    ]
    assert [round(s.worth, 3) for s in found[1:4]] == [0.25, 0.125, 0.05]  # knowing counts half


def test_equal_worth_goes_to_the_least_effort_then_the_least_cost_and_measuring_comes_last() -> None:
    base = Recommendation(
        key="b", kind=RecommendationKind.FIX, what="", where="", why=("x",), worth=0.2, effort=Effort.HOURS
    )
    quick = replace(base, key="c", effort=Effort.MINUTES, cost=Cost.LARGE)
    cheap = replace(base, key="d", effort=Effort.MINUTES, cost=Cost.NOTHING)
    unknown = replace(base, key="a", kind=RecommendationKind.MEASURE, effort=Effort.MINUTES)
    assert sorted([unknown, base, quick, cheap], key=order) == [cheap, quick, base, unknown]


def test_overlapping_episodes_count_their_time_once() -> None:
    verdicts = (
        verdict(Cause.WIRELESS_HOP, "desk/attic", at_h=1, hours=2),
        verdict(Cause.WIRELESS_HOP, "desk/attic", at_h=2, hours=2),
    )
    assert only(advise(known(verdicts=verdicts)), "help-radio-hop").worth == pytest.approx(3 / 24)


def levels(*dbmv: float) -> ModemLevels:
    channels = tuple(
        Channel(
            direction=Direction.DOWN,
            channel_id=i,
            carrier=Carrier.SC_QAM,
            locked=True,
            frequency_hz=400_000_000 + i * 6_000_000,
            power_dbmv=level,
        )
        for i, level in enumerate(dbmv, 1)
    )
    return ModemLevels(node="modem", at_ns=START, channels=channels)


RUN = Run(
    tap_dbmv={100e6: 6.0, 700e6: 6.0},
    parts=(Splitter(ways=2, serves=("television",)), Cable(kind=CableKind.RG_6, length_m=10.0)),
)


def test_a_splitter_goes_only_where_the_levels_are_too_low() -> None:
    fine = advise(known(run=RUN, levels=(levels(1.0, -2.0),)))
    assert not [s for s in fine if s.where == "coax"]
    step = only(advise(known(run=RUN, levels=(levels(-9.0, -10.0),))), "change-cable-run")
    # a two-way splitter takes 3.5 dB, common practice (half the power, 3.01 dB, and its own loss); taking it
    # out lifts -9.5 dBmV to about -6; a 9 dB coupler's through output would leave 1 to 2 dB of that
    assert "2 of 2 downstream levels are too low" in step.why[0]
    assert "-10.0 dBmV" in step.why[0]
    assert 1.0 < step.gains[0].value <= 4.1
    assert step.gains[0].before == -9.5
    assert CAUTIONS[Hazard.ALARM] in step.cautions
    assert step.worth == 0.0  # no trouble of the line came of it


def test_among_the_changes_the_one_that_makes_all_levels_right_is_chosen_and_its_price_said() -> None:
    step = only(advise(known(run=RUN, levels=(levels(-9.0, -10.0),))), "change-cable-run")
    assert len(ideas(RUN)) == 2  # out, or a coupler in its place
    assert step.what.startswith("Take out part 1")
    assert any("cuts off television" in w for w in step.why)


def test_a_splitter_is_left_where_no_level_is_known_to_be_low() -> None:
    assert not [s for s in advise(known(run=RUN)) if s.where == "coax"]  # +1 dBmV by the run's own sum


def test_the_provider_is_called_only_when_it_is_proven_and_the_levels_leave_it_so() -> None:
    bad = verdict(Cause.UPSTREAM_LINK, "modem/provider-edge", hours=2.4)
    step = only(advise(known(verdicts=(bad,), lines=(None,))), "call-provider")
    assert step.worth == pytest.approx(0.1)
    assert step.commands == (
        # an hour of quiet on either side of 13:00 to 15:24
        "whichhop evidence alder.yaml --from 2026-01-01T12:00Z --to 2026-01-01T16:24Z"
        " --pdf report.pdf --letter letter.pdf --phone call.pdf",
        "whichhop call-log alder.yaml 'called support about this fault'",
    )
    house = Explanation(sentence="the coax in the house explains it", whose=Owner.HOME)
    taken_back = advise(known(verdicts=(bad,), lines=(house,)))
    assert "call-provider" not in [s.key for s in taken_back]
    assert only(taken_back, "inspect-coax").worth == pytest.approx(0.1)
    untold = Explanation(sentence="house or drop", whose=None)
    assert "call-provider" not in [s.key for s in advise(known(verdicts=(bad,), lines=(untold,)))]
    unproven = replace(bad, proven=False, missing=("own traffic is not known",))
    found = advise(known(verdicts=(unproven,)))
    assert "call-provider" not in [s.key for s in found]
    assert "own traffic is not known" in only(found, "collect-evidence").what
    helped = replace(
        unproven, would_change=("read the levels of the modem: they tell the line from its box",)
    )
    step = only(advise(known(verdicts=(helped,))), "collect-evidence")
    assert step.what.startswith("Read the levels of the modem (needed before")
    assert "missing: own traffic is not known" in step.why


def test_one_short_episode_is_no_reason_to_call_yet() -> None:
    short = verdict(Cause.UPSTREAM_LINK, "modem/provider-edge", hours=0.05)  # three minutes
    once = advise(known(verdicts=(short,)))
    assert only(once, "keep-measuring").kind is RecommendationKind.TELL
    assert "call-provider" not in [s.key for s in once]
    again = replace(short, start_ns=short.start_ns + 5 * HOUR_NS, end_ns=(short.end_ns or 0) + 5 * HOUR_NS)
    assert only(advise(known(verdicts=(short, again))), "call-provider").kind is RecommendationKind.FIX


def test_a_box_is_replaced_only_when_a_transfer_ran_into_its_ceiling() -> None:
    boxes = (Box(node="router", port_bps=100e6), Box(node="study", port_bps=1e9))
    # the port lets 94.1 Mbit/s through, the plan would carry some 383
    seen = advise(known(boxes=boxes, rates=(moved("study", "harbour", "back", 92),)))
    step = only(seen, "replace-box")
    assert step.where == "router"
    assert (step.gains[0].before, step.gains[0].after) == (92e6, fair_plan(HOME, DOWN))
    unmeasured = only(advise(known(boxes=boxes)), "measure-box")
    assert unmeasured.kind is RecommendationKind.MEASURE
    for other in (30, 300):  # something else held it; or the description is wrong
        keys = [s.key for s in advise(known(boxes=boxes, rates=(moved("study", "harbour", "back", other),)))]
        assert "replace-box" not in keys


def test_an_agent_whose_own_machine_was_in_the_way_should_move() -> None:
    busy = verdict(Cause.AGENT_HOST, "host:desk", hours=12)
    step = only(advise(known(verdicts=(busy,))), "move-agent")
    assert (step.where, step.worth) == ("desk", 0.25)


def test_every_step_carries_evidence_and_speaks_in_sentences() -> None:
    verdicts = tuple(
        verdict(cause, "desk/attic", at_h=i)
        for i, cause in enumerate(Cause)
        if cause not in (Cause.HEALTHY, Cause.DESTINATION, Cause.RESPONDER)
    )
    found = advise(known(verdicts=verdicts, rates=(moved("attic", "router", "back", 40),)))
    assert len(found) >= 7
    for step in found:
        assert step.why
        assert all(step.why)
        assert step_words(step)[0].endswith(".")
        assert 0.0 <= step.worth <= 1.0
        if step.kind is not RecommendationKind.MEASURE:
            assert all(g.words.startswith("at most ") for g in step.gains)


def test_the_newest_transfer_gives_the_time() -> None:
    def reading(at: int) -> Reading:
        return Reading(at_ns=at, agent="attic", name="transfer_back_rate_bps:router", value=1e6)

    assert newest_ns([reading(5), reading(9), reading(7)]) == {("attic", "router", "back"): 9}


def line_tests(mbps: float, hindered: tuple[str, ...] = ()) -> tuple[LineTest, ...]:
    day = 24 * 3600 * 10**9
    return tuple(
        LineTest(
            at_ns=n * day, way="down", rate_bps=mbps * 1e6, at_least=False, agent="study", hindered=hindered
        )
        for n in range(12)
    )


def test_a_plan_that_every_test_contradicts_comes_first_with_what_was_ruled_out() -> None:
    # Seen before: 40 of 100 in every test: "nothing calls for a change".
    found = advise(known(home=alder(), tests=line_tests(40)))
    assert found[0].key == "claim-plan"
    assert "is not delivered: 0 of 12 tests" in found[0].why[0]
    assert "Ruled out" in found[0].why[0]
    assert found[0].worth == pytest.approx(1 - 40 / 94.14, abs=0.01)


def test_a_plan_that_no_test_could_reach_is_tested_by_cable_and_held_against_nobody() -> None:
    found = advise(known(home=alder(), tests=line_tests(38, ("attic/router",))))
    assert "claim-plan" not in {s.key for s in found}
    assert "behind attic/router" in only(found, "measure-plan").why[0]


def test_a_delivered_plan_asks_for_nothing() -> None:
    keys = {s.key for s in advise(known(home=alder(), tests=line_tests(93)))}
    assert not keys & {"claim-plan", "measure-plan"}


def test_of_a_radio_hop_and_what_stands_at_it_the_two_ends_of_the_link_are_moved() -> None:
    # Seen: "Bring the two ends of the link laptop to box, the machine laptop itself or the box itself
    # nearer".
    link = next(k.name for k in known().home.links if k.kind is LinkKind.WIRELESS)
    found = verdict(Cause.WIRELESS_HOP, link, f"host:{link.partition('/')[0]}")
    step = only(advise(known(verdicts=(found,))), "help-radio-hop")
    assert " itself" not in step.what
    assert "machine" in " ".join(step.why)


def test_where_own_traffic_may_be_it_and_nobody_counts_it_counting_is_advised() -> None:
    # Seen: own traffic 97 % of what could not be told apart, and only a modem's address was asked for.
    scene = verdict(Cause.NOT_SEPARABLE, Cause.OWN_TRAFFIC.value, "modem/provider-edge", proven=False)
    uncounted = replace(scene, place="upstream", would_change=(COUNTING,))
    step = only(advise(known(verdicts=(uncounted,))), "count-own-traffic")
    assert "the home's own traffic" in step.why[0]
    counted = replace(uncounted, would_change=())
    assert not [s for s in advise(known(verdicts=(counted,))) if s.key == "count-own-traffic"]
    for module in (verdict_module, standing_module):
        assert vars(module)["COUNTING"] is COUNTING


def test_what_proves_a_fault_is_asked_for_once_and_of_that_fault_alone() -> None:
    # Seen: "Give the address of cpe" twice, an hour and minutes, for a fault past the line too.
    home = HOME
    sessions = derive_sessions(home)
    ends = tuple(k.name for k in home.links if "modem" in (k.near, k.far))
    (asked, *_) = advice_for(home, sessions, (ends,))
    line = replace(
        verdict(Cause.NOT_SEPARABLE, *ends, proven=False), place="upstream", would_change=(asked.words,)
    )
    beyond = verdict(Cause.BEYOND, "beyond", at_h=4.0, proven=False)
    steps = advise(known(home=home, sessions=sessions, verdicts=(line, beyond)))
    assert len([s for s in steps if asked.words[1:] in s.what]) == 1
    mine, other = [s for s in steps if s.key == "collect-evidence"]
    assert {mine.why[0][:30], other.why[0][:30]} == {"likely, not proven: 1 episode,"}
    assert {s.effort for s in (mine, other)} == {Effort.MINUTES, Effort.HOUR}
