"""Homes of one region: the same fault at the same time is past them, one alone is in the home or its line."""

import pytest

from whichhop.app.fleet.many import Judged
from whichhop.app.fleet.neighbours import neighbours_of, shared_faults
from whichhop.app.homes import HomeFault, HomeRow, Standing

NS = 1_000_000_000


def home(name: str, since_s: int | None = None, *, cause: str = "", region: str = "north") -> Judged:
    faults = ()
    if cause:
        since = None if since_s is None else since_s * NS
        faults = (HomeFault(cause=cause, elements="modem/provider-edge", probability=0.97, since_ns=since),)
    standing = Standing.FAULT if faults else Standing.NO_FAULT
    return Judged(row=HomeRow(home=name, standing=standing, faults=faults), region=region)


def test_the_same_fault_next_door_at_the_same_time_is_told() -> None:
    homes = [home("a", 1000, cause="upstream-link"), home("b", 1100, cause="beyond"), home("c")]
    said = neighbours_of(homes)
    assert set(said) == {"a", "b"}
    assert (said["a"].others, said["a"].with_it) == (2, 1)
    assert "it is not this home's own" in said["a"].words


def test_a_fault_that_no_neighbour_has_points_into_the_home_or_its_line() -> None:
    said = neighbours_of([home("a", 1000, cause="upstream-link"), home("b"), home("c")])["a"]
    assert said.words.startswith("None of 2 other homes in north has it")


@pytest.mark.parametrize(
    "others",
    [
        [],
        [home("b")],
        [home("b", region="south"), home("c", region="south")],
        [home("b", region=""), home("c", region="")],
    ],
)
def test_too_few_neighbours_say_nothing(others: list[Judged]) -> None:
    assert neighbours_of([home("a", 1000, cause="upstream-link"), *others])["a"].words == ""


def test_another_time_another_cause_or_a_home_without_a_region_does_not_count() -> None:
    homes = [
        home("a", 1000, cause="upstream-link"),
        home("b", 2000, cause="upstream-link"),
        home("c", 1000, cause="backhaul"),
        home("d", 1000, cause="upstream-link", region=""),
    ]
    said = neighbours_of(homes)
    assert said["a"].with_it == 0
    assert "c" not in said
    assert "d" not in said


def test_what_began_together_in_a_region_is_one_shared_fault_the_widest_first() -> None:
    homes = [
        home("a", 1000, cause="upstream-link"),
        home("b", 1100, cause="beyond"),
        home("c", 5000, cause="upstream-link"),
        home("d"),
        home("e", 1000, cause="backhaul"),
        *(home(f"s{i}", None, cause="upstream-link", region="south") for i in range(3)),
        home("t", 1000, cause="upstream-link", region="south"),
    ]
    found = shared_faults(homes)
    assert [(one.region, one.homes, one.judged) for one in found] == [
        ("south", ("s0", "s1", "s2"), 4),
        ("north", ("a", "b"), 5),
    ]
    assert [one.since_ns for one in found] == [None, 1000 * NS]
