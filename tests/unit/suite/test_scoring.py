"""Verdicts against truth: the scoring is right on cases made by hand."""

import pytest
from msgspec.structs import replace

from suite.case import Case, Label
from suite.scoring import Score, score
from suite.summary import brier, calibration_error, reliability, summarise
from suite.truth import group_of
from support.paper import alder_house
from whichhop.model import Cause, Verdict, derive_sessions
from whichhop.model.units import NS_PER_S

LABEL = Label(
    start_s=1000, end_s=1300, element="attic/router", cause=Cause.BACKHAUL, rhythm="steady", size="large"
)
SAID = Verdict(
    cause=Cause.BACKHAUL,
    elements=("attic/router",),
    probability=0.99,
    start_ns=1010 * NS_PER_S,
    end_ns=1310 * NS_PER_S,
    detected_ns=1030 * NS_PER_S,
)


def _score(*verdicts: Verdict, labels: tuple[Label, ...] = (LABEL,)) -> Score:
    scenario = alder_house(seconds=7200)
    case = Case(recipe="mixed", seed=0, scenario=scenario, labels=labels)
    return score("x", case, derive_sessions(scenario.home), verdicts, start_ns=0, run_s=1.0)


def test_the_guilty_element_named_in_time_is_exact() -> None:
    found = _score(SAID)
    assert found.labels[0].outcome == "exact"
    assert found.labels[0].delay_s == 30
    assert found.verdicts[0].right
    assert found.verdicts[0].beside == "fault"


def test_another_element_is_wrong_and_nothing_is_missed() -> None:
    other = replace(SAID, elements=("desk/attic",), cause=Cause.WIRELESS_HOP)
    assert _score(other).labels[0].outcome == "wrong"
    assert _score().labels[0].outcome == "missed"
    late = replace(SAID, start_ns=2000 * NS_PER_S, end_ns=2100 * NS_PER_S)
    assert _score(late).labels[0].outcome == "missed"
    assert _score(late).verdicts[0].beside == "nothing"


def test_a_group_is_right_only_within_what_rank_allows() -> None:
    wide = replace(SAID, elements=("attic/router", "desk/attic"), cause=Cause.NOT_SEPARABLE)
    assert _score(wide).labels[0].outcome == "wrong"
    # The modem has no address here: no session ends between it and the provider's first hop.
    line = replace(LABEL, element="router/modem", cause=Cause.WIRED_LAN)
    both = replace(SAID, elements=("router/modem", "modem/provider-edge"), cause=Cause.NOT_SEPARABLE)
    assert _score(both, labels=(line,)).labels[0].outcome == "exact"
    assert _score(both, labels=(line,)).labels[0].should_abstain
    assert _score(both, labels=(line,)).labels[0].abstained


def test_rank_groups_equal_columns_and_other_evidence_splits_them() -> None:
    scenario = alder_house()
    sessions = derive_sessions(scenario.home)
    # What the router routes outward is what crosses the line: nobody could tell the two apart.
    line = {"router/modem", "modem/provider-edge", "route:router"}
    assert group_of("router/modem", scenario, sessions) == line
    silent = replace(scenario, counters=False)
    assert group_of("modem/provider-edge", silent, sessions) == line | {"own-traffic"}
    assert group_of("own-traffic", scenario, sessions) == {"own-traffic"}
    assert group_of("attic/router", scenario, sessions) == {"attic/router"}


def test_accusing_the_provider_beside_a_fault_of_the_home_is_counted_proven_and_not() -> None:
    accused = replace(SAID, elements=("modem/provider-edge",), cause=Cause.UPSTREAM_LINK)
    found = summarise([_score(SAID, accused)])
    assert (found["provider_accused_falsely"], found["provider_suspected_falsely"]) == (1, 0)
    assert found["home_side_faults"] == 1
    found = summarise([_score(SAID, replace(accused, proven=False))])
    assert (found["provider_accused_falsely"], found["provider_suspected_falsely"]) == (0, 1)
    guilty = replace(LABEL, element="modem/provider-edge", cause=Cause.UPSTREAM_LINK)
    found = summarise([_score(accused, labels=(guilty,))])
    assert (found["provider_accused_falsely"], found["provider_proven_right"]) == (0, 1)


def test_silence_about_a_harmless_event_is_right_and_blame_is_not() -> None:
    harmless = replace(LABEL, element="host:desk", cause=Cause.AGENT_HOST, harmless=True)
    assert _score(labels=(harmless,)).labels == ()
    blamed = _score(SAID, labels=(harmless,)).verdicts[0]
    assert (blamed.right, blamed.beside) == (False, "harmless")
    named = _score(replace(SAID, elements=("host:desk",), cause=Cause.AGENT_HOST), labels=(harmless,))
    assert named.verdicts[0].right


def test_calibration_error_and_brier_are_the_textbook_sums() -> None:
    # By hand: 3 claims of 0.96 with 2 right, 1 claim of 0.75 right.
    # ECE = 3/4 |0.96 - 2/3| + 1/4 |0.75 - 1|; Brier = (2 0.04^2 + 0.96^2 + 0.25^2) / 4.
    sure = replace(SAID, probability=0.96)
    wrong = replace(sure, elements=("desk/attic",), cause=Cause.WIRELESS_HOP)
    verdicts = _score(sure, sure, wrong, replace(SAID, probability=0.75)).verdicts
    rows = reliability(verdicts)
    assert calibration_error(rows) == pytest.approx(0.75 * (0.96 - 2 / 3) + 0.25 * 0.25)
    assert brier(verdicts) == pytest.approx((2 * 0.04**2 + 0.96**2 + 0.25**2) / 4)


def test_none_in_two_thousand_is_bounded_by_the_rule_of_three() -> None:
    # Rule of three (textbook): 3/n; the exact Poisson bound is -ln(0.05)/n = 2.996/n.
    found = summarise([_score()] * 2000)
    assert found["provider_accused_upper_bound"] == pytest.approx(3 / 2000, rel=0.002)


def test_what_begins_after_a_thing_has_healed_is_false_and_what_is_told_about_before_is_not() -> None:
    label = replace(LABEL, start_s=0.0, end_s=2400.0, slack_s=0.0)
    after = replace(SAID, start_ns=2410 * NS_PER_S, end_ns=2900 * NS_PER_S, detected_ns=2430 * NS_PER_S)
    found = _score(after, labels=(label,))
    assert found.labels[0].outcome == "missed"
    assert found.verdicts[0].beside == "nothing"
    told = replace(SAID, start_ns=0, end_ns=2400 * NS_PER_S, detected_ns=170 * NS_PER_S)
    found = _score(told, labels=(label,))
    assert found.labels[0].outcome == "exact"
    assert found.labels[0].standing
    figures = summarise([found])
    assert (figures["standing_in_3_min"], figures["standing_in_10_min"]) == (1.0, 1.0)
    late = summarise([_score(replace(told, detected_ns=400 * NS_PER_S), labels=(label,))])
    assert (late["standing_in_3_min"], late["standing_in_10_min"]) == (0.0, 1.0)


def test_own_traffic_in_the_providers_name_is_counted_even_where_nobody_could_split_them() -> None:
    label = replace(LABEL, element="own-traffic", cause=Cause.OWN_TRAFFIC)
    named = replace(
        SAID,
        cause=Cause.UPSTREAM_LINK,
        elements=("modem/provider-edge", "own-traffic"),
        proven=False,
    )
    assert summarise([_score(named, labels=(label,))])["provider_headline_of_own_traffic"] == 1
    own = replace(named, cause=Cause.OWN_TRAFFIC, elements=("own-traffic",))
    assert summarise([_score(own, labels=(label,))])["provider_headline_of_own_traffic"] == 0


def test_a_home_without_faults_is_blamed_by_a_verdict_that_nothing_justifies() -> None:
    assert summarise([_score(SAID, labels=())])["well_homes_blamed"] == 1
    # To name what is there and harms nobody is right, and so is silence.
    assert summarise([_score(SAID, labels=(replace(LABEL, harmless=True),))])["well_homes_blamed"] == 0
    assert summarise([_score(labels=())])["well_homes_blamed"] == 0
    assert summarise([_score(SAID)])["well_homes"] == 0


def test_a_proof_against_the_line_is_marked_where_the_router_could_have_done_it() -> None:
    line = replace(LABEL, element="modem/provider-edge", cause=Cause.UPSTREAM_LINK)
    proven = replace(SAID, cause=Cause.UPSTREAM_LINK, elements=("modem/provider-edge",))
    assert summarise([_score(proven, labels=(line,))])["provider_proven_unsplit"] == 1
    careful = replace(proven, proven=False)
    assert summarise([_score(careful, labels=(line,))])["provider_proven_unsplit"] == 0


def test_a_second_fault_under_the_same_name_needs_a_verdict_of_its_own() -> None:
    second = replace(LABEL, start_s=1018.0, end_s=1200.0, apart=True)
    found = _score(replace(SAID, start_ns=1000 * NS_PER_S), labels=(LABEL, second))
    assert [x.outcome for x in found.labels] == ["exact", "wrong"]
    again = replace(SAID, start_ns=1020 * NS_PER_S)
    found = _score(replace(SAID, start_ns=1000 * NS_PER_S), again, labels=(LABEL, second))
    assert [x.outcome for x in found.labels] == ["exact", "exact"]
