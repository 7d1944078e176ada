"""Octet counters from IF-MIB values: RFC 2863's columns, 64 bits first, 32 where there are no others."""

from hypothesis import given
from hypothesis import strategies as st

from whichhop.wire.mibs import counters_of, index_of

# OIDs written out as RFC 2863 has them, apart from the module's own constants
IF_TABLE = "1.3.6.1.2.1.2.2.1"
X_TABLE = "1.3.6.1.2.1.31.1.1.1"


LOW_TEXT = [f"{IF_TABLE}.{n}" for n in (5, 10, 16)]
HIGH_TEXT = [f"{X_TABLE}.{n}" for n in (6, 10, 15, 19)]


def oid(text: str) -> tuple[int, ...]:
    return tuple(map(int, text.split(".")))


LOW = {
    oid(f"{IF_TABLE}.10.2"): 1000,
    oid(f"{IF_TABLE}.16.2"): 2000,
    oid(f"{IF_TABLE}.5.2"): 100_000_000,
    oid(f"{X_TABLE}.19.2"): 7,
}
HIGH = {
    **LOW,
    oid(f"{X_TABLE}.6.2"): 2**40,
    oid(f"{X_TABLE}.10.2"): 2**41,
    oid(f"{IF_TABLE}.5.2"): 2**32 - 1,
    oid(f"{X_TABLE}.15.2"): 10_000,
}


def test_64_bits_are_taken_where_there_are() -> None:
    found = counters_of(HIGH, 2)
    assert found is not None
    assert (found.received, found.sent, found.bits) == (2**40, 2**41, 64)
    assert found.speed_bps == 10_000_000_000
    assert found.discontinuity == 7


def test_32_bits_are_the_fallback() -> None:
    found = counters_of(LOW, 2)
    assert found is not None
    assert (found.received, found.sent, found.bits, found.speed_bps) == (1000, 2000, 32, 100_000_000)


def test_a_speed_at_the_top_of_its_32_bits_is_not_taken_for_one() -> None:
    values = {k: v for k, v in HIGH.items() if k != oid(f"{X_TABLE}.15.2")}
    found = counters_of(values, 2)
    assert found is not None
    assert found.speed_bps is None


def test_half_a_pair_another_interface_or_values_out_of_range_are_none() -> None:
    assert counters_of({oid(f"{IF_TABLE}.10.2"): 5}, 2) is None
    assert counters_of(HIGH, 3) is None
    assert counters_of({oid(f"{IF_TABLE}.10.2"): -5, oid(f"{IF_TABLE}.16.2"): 2**33}, 2) is None


def test_an_interface_is_found_by_its_name_before_its_description() -> None:
    names = {
        oid(f"{IF_TABLE}.2.1"): "wan0",
        oid(f"{IF_TABLE}.2.2"): "Gigabit port",
        oid(f"{X_TABLE}.1.2"): "wan0",
        oid(f"{X_TABLE}.1.1"): "lan0",
    }
    assert index_of(names, "wan0") == 2
    assert index_of(names, "Gigabit port") == 2
    assert index_of(names, "moon") is None


@given(
    st.dictionaries(
        st.sampled_from([(*oid(text), 2) for text in (*LOW_TEXT, *HIGH_TEXT)]), st.integers(0, 2**64 - 1)
    )
)
def test_whatever_a_router_answers_is_read_or_there_is_none(values: dict[tuple[int, ...], int]) -> None:
    found = counters_of(values, 2)
    assert found is None or set(values) & {(*oid(text), 2) for text in (*LOW_TEXT, *HIGH_TEXT)}
