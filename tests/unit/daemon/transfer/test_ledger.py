"""The home's one lease and its budget: never more than the day allows, whatever happens in between."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.daemon.transfer.ledger import LEAST_BYTES, LONGEST_S, Lease, Ledger
from whichhop.model.units import NS_PER_S, UtcNs

T0 = 1_800_000_000 * NS_PER_S
MB = 1_000_000


def ask(
    ledger: Ledger,
    number: str,
    *,
    at_s: float = 0,
    octets: int = 4 * MB,
    budget: int = 10 * MB,
    day: str = "d1",
) -> Lease | str:
    found = ledger.grant(
        number=number,
        who="desk to attic",
        day=day,
        now_ns=UtcNs(T0 + round(at_s * NS_PER_S)),
        seconds=30,
        octets=octets,
        budget=budget,
    )
    if isinstance(found, Lease):
        ledger.apply(found.line())
    return found


def test_a_second_one_is_told_who_has_the_lease_until_it_is_returned() -> None:
    ledger = Ledger()
    assert isinstance(ask(ledger, "a"), Lease)
    refusal = ask(ledger, "b", at_s=1)
    assert isinstance(refusal, str)
    assert "desk to attic is using the line" in refusal
    ledger.apply({"lease": "a", "used": MB})
    assert isinstance(ask(ledger, "b", at_s=2), Lease)


def test_a_holder_that_died_keeps_nobody_waiting_past_the_leases_end_and_stays_charged() -> None:
    ledger = Ledger()
    ask(ledger, "a")
    assert isinstance(ask(ledger, "b", at_s=29.9), str)
    assert isinstance(ask(ledger, "b", at_s=30.1), Lease)
    assert ledger.spent("d1") == 8 * MB


def test_what_was_not_used_is_given_back_and_what_was_used_beyond_is_charged() -> None:
    ledger = Ledger()
    ask(ledger, "a")
    ledger.apply({"lease": "a", "used": MB})
    assert ledger.spent("d1") == MB
    ledger.apply({"lease": "a", "used": 5 * MB})
    assert ledger.spent("d1") == 5 * MB


def test_the_last_of_the_budget_is_cut_to_fit_and_then_refused_with_the_remedy() -> None:
    ledger = Ledger()
    for number in ("a", "b"):
        ask(ledger, number)
        ledger.apply({"lease": number, "used": 4 * MB})
    last = ask(ledger, "c")
    assert isinstance(last, Lease)
    assert last.octets == 2 * MB
    ledger.apply({"lease": "c", "used": 2 * MB})
    refusal = ask(ledger, "d")
    assert isinstance(refusal, str)
    assert "limits.daily_transfer_mb" in refusal
    assert isinstance(ask(ledger, "e", day="d2"), Lease)


def test_a_lease_far_in_the_future_comes_of_a_clock_step_and_holds_nobody() -> None:
    ledger = Ledger()
    ask(ledger, "a", at_s=LONGEST_S * 10)
    assert isinstance(ask(ledger, "b"), Lease)


@given(st.integers(0, 2**32), st.lists(st.integers(LEAST_BYTES, 8 * MB), max_size=25))
def test_no_order_of_grants_crashes_and_returns_exceeds_the_budget(seed: int, wishes: list[int]) -> None:
    dice, ledger, lines = random.Random(seed), Ledger(), []
    for n, wish in enumerate(wishes):
        lease = ask(ledger, str(n), at_s=n * 60, octets=wish)
        if isinstance(lease, Lease):
            lines.append(lease.line())
            if dice.random() < 0.5:
                lines.append({"lease": str(n), "used": dice.randint(0, lease.octets)})
                ledger.apply(lines[-1])
        if dice.random() < 0.3:  # a crash: begin again from the journal
            ledger = Ledger()
            for line in lines:
                ledger.apply(line)
        assert ledger.spent("d1") <= 10 * MB


def test_a_fresh_journal_says_the_same_without_past_days() -> None:
    ledger, again = Ledger(), Ledger()
    ask(ledger, "a", day="2026-02-28")
    ask(ledger, "b", at_s=60, day="2026-03-01")
    ledger.apply({"lease": "b", "used": 7})
    for line in ledger.lines("2026-03-01"):
        again.apply(line)
    assert (again.spent("2026-02-28"), again.spent("2026-03-01")) == (0, 7)


@pytest.mark.parametrize("line", [{}, {"lease": 3}, {"lease": "x", "used": 5}, {"used": 1}])
def test_lines_without_sense_change_nothing(line: dict[str, object]) -> None:
    ledger = Ledger()
    ledger.apply(line)
    assert list(ledger.lines("")) == []
