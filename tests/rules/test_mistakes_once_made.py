"""What once went wrong in homes drawn by others: each stays held by tests and by a recipe of the suite."""

import ast
from pathlib import Path

import pytest

from suite.recipes import RECIPES

UNIT = Path(__file__).parents[1] / "unit" / "compare"

# What was said wrongly; the recipe that plays it; tests that hold it, as file::test under tests/unit/compare.
HELD: dict[str, tuple[str, tuple[str, ...]]] = {
    "a line that becomes faster accuses the provider": (
        "faster-line",
        ("test_improvements.py::test_a_line_that_is_faster_for_three_minutes_is_no_fault_before_during_or_after",),
    ),
    "a fault from the start is told when it heals": (
        "heals",
        (
            "standing/test_standing.py::test_a_fault_that_heals_is_told_in_retrospect_and_nothing_is_blamed_"
            "for_the_healing",
            "test_improvements.py::test_a_fault_that_was_there_at_the_start_is_none_when_it_heals",
        ),
    ),
    "an upload from the first second accuses the provider": (
        "upload-first",
        (
            "standing/test_own_use.py::test_an_upload_from_the_first_second_on_is_told_once_it_has_stopped",
            "test_improvements.py::test_an_upload_from_the_first_second_that_stops_accuses_nobody",
            "standing/test_own_use.py::test_a_download_from_the_first_second_on_that_is_counted_by_the_minute_"
            "is_no_fault_of_the_line",
        ),
    ),
    "two radios bad from the start pass for healthy": (
        "both-radios",
        (
            "standing/test_standing.py::test_healthy_homes_are_not_blamed_and_two_faults_are_two",
            "standing/test_standing.py::test_a_third_fault_is_told_by_who_meets_neither_of_the_other_two",
        ),
    ),
    "a radio whose slow packets become many is not named": (
        "turns-bad",
        ("verdict/test_loss_way.py::test_a_tail_has_words_of_its_own",),
    ),
    "a plan larger than the line makes own traffic the provider's": (
        "large-plan",
        ("windows/test_line_capacity.py::test_a_rate_met_again_and_again_while_packets_are_late_is_what_the_line_carries",),
    ),
    "without counters each download is the provider's": (
        "downloads",
        ("test_history.py::test_without_counters_it_is_own_traffic_or_the_line_and_nobodys_to_fix",),
    ),
    "counters read once a minute": (
        "minute-counters",
        ("windows/test_own_traffic.py::test_nothing_is_known_outside_the_readings_across_long_gaps_and_without_a_plan",),
    ),
    "a gateway that forwards badly is the provider's": (
        "gateway-forwards",
        ("test_history.py::test_an_all_in_one_gateway_is_never_told_from_the_line_and_what_would_is_said",),
    ),
    "a router that forwards badly is the air's": (
        "router-forwards",
        ("test_history.py::test_a_router_with_an_agent_that_forwards_badly_is_named",),
    ),
    "an element crossed twice counts twice": (
        "other-double",
        (
            "inference/test_evidence.py::test_who_crosses_the_air_twice_is_read_at_twice_the_delay",
            "inference/test_pairs.py::test_a_pair_is_the_sum_over_both_excesses_by_its_definition",
        ),
    ),
    "a bad port is its machine's": (
        "own-port",
        (
            "test_history.py::test_a_wired_hosts_bad_port_is_not_blamed_on_a_machine_whose_program_runs_on_time",
        ),
    ),
    "a group's probability is printed as its likeliest member's": (
        "other-single",
        ("test_words.py::test_of_several_only_one_need_be_at_fault",),
    ),
    "a second or third fault among the first one's sessions is dropped": (
        "other-triple",
        ("test_history.py::test_three_faults_at_once_are_all_named",),
    ),
    "a small loss is no fault": (
        "small-loss",
        (
            "test_history.py::test_a_radio_that_loses_five_in_a_hundred_is_named_within_two_minutes",
            "verdict/test_loss_way.py::test_a_finding_says_which_way_packets_were_lost",
        ),
    ),
    "a mesh node that dies is not reported": (
        "node-dies",
        ("test_history.py::test_a_mesh_node_that_dies_with_its_agent_and_serves_nobody_is_reported",),
    ),
    "a clock that is off blames a machine": (
        "clock-off",
        ("windows/test_clocks.py::test_a_clock_that_is_off_blames_no_healthy_machine",),
    ),
    "a span that ends after the last packet unmakes a proof": (
        "late-end",
        ("test_comparison.py::test_time_after_the_last_packet_changes_nothing",),
    ),
    "a state of hours is many verdicts": (
        "state",
        ("verdict/test_episodes.py::test_a_state_of_hours_with_quiet_minutes_in_it_is_one_episode",),
    ),
    "a fault of the line and an upload are one": (
        "line-then-upload",
        (
            "test_history.py::test_a_fault_of_the_line_and_an_upload_that_begins_during_it_are_two_with_their_"
            "own_figures",
            "test_live.py::test_a_fault_of_the_line_and_an_upload_are_told_once_each_while_they_happen",
        ),
    ),
    "a strong fault waits for two ticks": (
        "outages",
        ("test_sooner.py::test_who_asks_while_a_strong_delay_is_young_is_told_it",),
    ),
}  # fmt: skip


@pytest.mark.parametrize("mistake", HELD)
def test_a_mistake_once_made_has_its_recipe_and_its_tests(mistake: str) -> None:
    recipe, held = HELD[mistake]
    assert recipe in RECIPES
    for place in held:
        file, _, name = place.partition("::")
        found = ast.parse((UNIT / file).read_text()).body
        assert name in {f.name for f in found if isinstance(f, ast.FunctionDef)}, place
