"""The home's one lease and its budget: never more than the day allows, whatever happens in between."""

import random

from hypothesis import given
from hypothesis import strategies as st

from whichhop.daemon.transfer.lease import LEAST_BYTES, LONGEST_S, Ledger
from whichhop.model.transfer import Lease
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
        ledger.put(found)
    return found


def give_back(ledger: Ledger, number: str, used: int) -> None:
    lease = ledger.returned(number, used)
    assert lease is not None
    ledger.put(lease)


def test_a_second_one_is_told_who_has_the_lease_until_it_is_returned() -> None:
    ledger = Ledger()
    assert isinstance(ask(ledger, "a"), Lease)
    refusal = ask(ledger, "b", at_s=1)
    assert isinstance(refusal, str)
    assert "desk to attic is using the line" in refusal
    give_back(ledger, "a", MB)
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
    give_back(ledger, "a", MB)
    assert ledger.spent("d1") == MB
    give_back(ledger, "a", 5 * MB)
    assert ledger.spent("d1") == 5 * MB


def test_the_last_of_the_budget_is_cut_to_fit_and_then_refused_with_the_remedy() -> None:
    ledger = Ledger()
    for number in ("a", "b"):
        ask(ledger, number)
        give_back(ledger, number, 4 * MB)
    last = ask(ledger, "c")
    assert isinstance(last, Lease)
    assert last.octets == 2 * MB
    give_back(ledger, "c", 2 * MB)
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
    dice, ledger, kept = random.Random(seed), Ledger(), dict[str, Lease]()
    for n, wish in enumerate(wishes):
        lease = ask(ledger, str(n), at_s=n * 60, octets=wish)
        if isinstance(lease, Lease):
            kept[lease.number] = lease
            if dice.random() < 0.5:
                give_back(ledger, str(n), dice.randint(0, lease.octets))
                kept = {one.number: one for one in ledger.all()}
        if dice.random() < 0.3:  # a crash: begin again from the disk
            ledger = Ledger(kept.values())
        assert ledger.spent("d1") <= 10 * MB


def test_past_days_can_be_forgotten_and_today_is_not() -> None:
    ledger = Ledger()
    ask(ledger, "a", day="2026-02-28")
    ask(ledger, "b", at_s=60, day="2026-03-01")
    give_back(ledger, "b", 7)
    ledger.forget_before("2026-03-01")
    assert (ledger.spent("2026-02-28"), ledger.spent("2026-03-01")) == (0, 7)


def test_one_that_was_never_granted_cannot_be_returned() -> None:
    assert Ledger().returned("x", 5) is None
