"""No address can keep others out of a port by holding connections, and the number of all is bounded."""

from hypothesis import given
from hypothesis import strategies as st

from whichhop.net.listen import Places


def test_one_address_has_its_share_from_the_first_connection_on_and_loses_its_oldest() -> None:
    places: Places[int] = Places(most=10, most_each=3)
    assert [places.enter(n, "a") for n in range(5)] == [None, None, None, 0, 1]
    assert len(places) == 3
    assert places.enter(9, "b") is None


def test_one_at_work_is_not_closed_for_another() -> None:
    places: Places[int] = Places(most=10, most_each=2)
    for n in (1, 2):
        places.enter(n, "a")
        places.at_work(n, is_so=True)
    assert places.enter(3, "a") == 3
    assert len(places) == 2
    places.at_work(2, is_so=False)
    assert places.enter(4, "a") == 2
    assert places.refused == 2


def test_when_all_places_are_taken_the_address_with_most_gives_one_up() -> None:
    places: Places[int] = Places(most=6, most_each=4)
    for n, address in enumerate(["b", "a", "a", "a", "a", "c"]):
        assert places.enter(n, address) is None
    assert places.enter(10, "d") == 1
    assert len(places) == 6


def test_many_addresses_with_one_each_cannot_keep_a_new_one_out() -> None:
    places: Places[int] = Places(most=64, most_each=16)
    for n in range(1000):
        places.enter(n, f"stranger{n}")
    assert places.enter(5000, "desk") is not None
    assert len(places) == 64
    places.at_work(5000, is_so=True)
    for n in range(6000, 6100):
        assert places.enter(n, f"stranger{n}") != 5000


@given(st.lists(st.tuples(st.sampled_from("elw"), st.integers(0, 30), st.sampled_from(["a", "b", "c", "d"]))))
def test_in_any_order_the_limits_hold_and_the_books_balance(steps: list[tuple[str, int, str]]) -> None:
    places, inside, at_work = Places[int](most=8, most_each=3), dict[int, str](), set[int]()
    for what, who, address in steps:
        if what == "e" and who not in inside:
            out = places.enter(who, address)
            assert out not in at_work
            if out is not None:
                inside.pop(out, None)
            if out != who:
                inside[who] = address
        elif what == "l":
            places.leave(who)
            inside.pop(who, None)
            at_work.discard(who)
        elif what == "w" and who in inside:
            places.at_work(who, is_so=True)
            at_work.add(who)
        assert len(places) == len(inside) <= 8
        assert all(list(inside.values()).count(a) <= 3 for a in "abcd")
