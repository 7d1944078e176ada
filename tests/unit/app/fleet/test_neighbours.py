"""Homes of one region: the same fault at the same time is past them, one alone is in the home or its line."""

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import betabinom, binom

from whichhop.app.fleet.homes import HomeFault, HomeRow, Standing
from whichhop.app.fleet.many import Judged
from whichhop.app.fleet.neighbours import (
    TOGETHER_NS,
    neighbours_of,
    shared_faults,
    weighed,
    with_neighbours,
)

NS = 1_000_000_000
HOUR = 3600 * NS


def home(
    name: str,
    since_s: int | None = None,
    *,
    cause: str = "",
    region: str = "north",
    past: float | None = None,
    sure: float = 0.9,
) -> Judged:
    faults: tuple[HomeFault, ...] = ()
    if cause:
        part = float(cause in ("upstream-link", "beyond")) if past is None else past
        faults = (
            HomeFault(
                cause=cause,
                elements="modem/provider-edge",
                probability=sure,
                since_ns=None if since_s is None else since_s * NS,
                past=part,
            ),
        )
    standing = Standing.FAULT if faults else Standing.NO_FAULT
    return Judged(row=HomeRow(home=name, standing=standing, faults=faults), region=region)


@given(others=st.integers(0, 40), data=st.data(), chance=st.floats(0.001, 0.5), past=st.floats(0.01, 0.99))
def test_probabilities_are_bayes_theorem_on_two_textbook_distributions(
    others: int, data: st.DataObject, chance: float, past: float
) -> None:
    # A uniform share of the region is scipy's beta-binomial distribution with a = b = 1; chance is binomial.
    with_it = data.draw(st.integers(0, others))
    alike, alone = betabinom.pmf(with_it, others, 1, 1), binom.pmf(with_it, others, chance)
    total = past * (alike + alone) / 2 + (1 - past) * alone
    shared, now = weighed(past, 1 - past, others=others, with_it=with_it, chance=chance)
    assert shared == pytest.approx(past * alike / 2 / total)
    assert now == pytest.approx(past * (alike + alone) / 2 / total)


def test_worked_by_hand() -> None:
    # 2 of 2 at a chance of 1/10: likelihoods 1/3 and 1/100, so 0.9 past the home becomes 0.994.
    alike, alone, past = Fraction(1, 3), Fraction(1, 100), Fraction(9, 10)
    wanted = past * (alike + alone) / 2 / (past * (alike + alone) / 2 + (1 - past) * alone)
    assert weighed(0.9, 0.1, others=2, with_it=2, chance=0.1)[1] == pytest.approx(float(wanted))
    assert round(float(wanted), 3) == 0.994


def test_the_same_fault_next_door_at_the_same_time_makes_it_surer() -> None:
    homes = [home("a", 1000, cause="upstream-link"), home("b", 1100, cause="beyond"), home("c")]
    said = neighbours_of(homes, 4 * HOUR)
    assert set(said) == {"a", "b"}
    assert (said["a"].others, said["a"].with_it) == (2, 1)
    assert "it is not this home's own" in said["a"].words
    assert said["a"].fault.probability > 0.9
    assert said["a"].shared > 0.8
    assert with_neighbours(homes[0], said["a"]).row.faults[0].probability == said["a"].fault.probability


def test_a_fault_that_no_neighbour_has_points_into_the_home_or_its_line_the_more_the_more_there_are() -> None:
    sure, shared = [], []
    for count in (2, 5, 20):
        homes = [home("a", 1000, cause="upstream-link"), *(home(f"n{i}") for i in range(count))]
        said = neighbours_of(homes, 4 * HOUR)["a"]
        assert said.words.startswith(f"None of {count} other homes in north has it")
        sure.append(said.fault.probability)
        shared.append(said.shared)
    assert 0.9 > sure[0] > sure[1] > sure[2] > 0.8
    assert 0.3 > shared[0] > shared[1] > shared[2]


def test_where_faults_begin_all_the_time_one_more_next_door_says_less() -> None:
    pair = [home("a", 1000, cause="beyond"), home("b", 1000, cause="beyond"), home("c")]
    busy = [home(f"s{i}", 3000 + 700 * i, cause="beyond", region="south") for i in range(12)]
    quiet = [home(f"s{i}", region="south") for i in range(12)]
    said = [neighbours_of(pair + elsewhere, 4 * HOUR)["a"] for elsewhere in (quiet, busy)]
    assert said[0].shared > 0.97 > 0.8 > said[1].shared
    short = neighbours_of(pair, 2 * TOGETHER_NS)["a"]  # too short a span to say how often faults begin
    assert short.shared < 0.5
    assert "may be chance" in short.words


def test_what_every_home_has_from_the_first_packet_is_no_news_of_a_region() -> None:
    # Held against homes elsewhere: where those have them too, what is usual may be wrong.
    pair = [home("a", cause="upstream-link"), home("b", cause="upstream-link")]
    many = [home(f"s{i}", cause="upstream-link", region="south") for i in range(9)]
    well = [home(f"s{i}", region="south") for i in range(9)]
    few, often = (neighbours_of(pair + elsewhere, HOUR)["a"] for elsewhere in (well, many))
    assert few.shared > 0.8 > 0.4 > often.shared


def test_a_group_of_line_and_home_is_surer_where_the_region_has_it_and_turns_to_the_line() -> None:
    group = home("a", 1000, cause="not-separable", past=0.5)
    said = neighbours_of([group, home("b", 1000, cause="upstream-link"), home("c")], 4 * HOUR)["a"]
    assert said.fault.probability > 0.9
    assert said.fault.past > 0.85
    alone = neighbours_of([group, *(home(n) for n in "bcdef")], 4 * HOUR)["a"]
    assert alone.fault.past < 0.5


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
    assert neighbours_of([home("a", 1000, cause="upstream-link"), *others], HOUR)["a"].words == ""


def test_without_neighbours_the_probability_is_the_homes_own() -> None:
    said = neighbours_of([home("a", 1000, cause="upstream-link"), home("b", region="south")], HOUR)["a"]
    assert said.fault.probability == pytest.approx(0.9)


def test_another_time_another_cause_or_a_home_without_a_region_does_not_count() -> None:
    homes = [
        home("a", 1000, cause="upstream-link"),
        home("b", 2000, cause="upstream-link"),
        home("c", 1000, cause="backhaul"),
        home("d", 1000, cause="upstream-link", region=""),
    ]
    said = neighbours_of(homes, HOUR)
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
    found = shared_faults(homes, neighbours_of(homes, 4 * HOUR))
    assert [(one.region, one.homes, one.judged) for one in found] == [
        ("south", ("s0", "s1", "s2"), 4),
        ("north", ("a", "b"), 5),
    ]
    assert [one.since_ns for one in found] == [None, 1000 * NS]
