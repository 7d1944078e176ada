"""A box's uptime and an interface's errors out of SNMP values; OIDs written out as the RFCs have them."""

from hypothesis import given
from hypothesis import strategies as st

from whichhop.wire.mibs import BOX_WALKS, BoxCounts, box_counts_of


def oid(text: str) -> tuple[int, ...]:
    return tuple(map(int, text.split(".")))


IF = "1.3.6.1.2.1.2.2.1"
WHOLE = {
    oid(f"{IF}.8.2"): 1,  # ifOperStatus up(1), RFC 2863
    oid(f"{IF}.9.2"): 12_345,  # ifLastChange
    oid(f"{IF}.11.2"): 1_000,  # ifInUcastPkts
    oid(f"{IF}.13.2"): 4,  # ifInDiscards
    oid(f"{IF}.14.2"): 7,  # ifInErrors
    oid(f"{IF}.17.2"): 2_000,  # ifOutUcastPkts
    oid(f"{IF}.19.2"): 5,  # ifOutDiscards
    oid(f"{IF}.20.2"): 8,  # ifOutErrors
    oid("1.3.6.1.2.1.10.7.2.1.19.2"): 2,  # dot3StatsDuplexStatus halfDuplex(2), RFC 3635
    oid("1.3.6.1.2.1.1.3.0"): 6_000,  # sysUpTime, RFC 3418
    oid("1.3.6.1.2.1.25.1.1.0"): 360_000,  # hrSystemUptime, RFC 2790
    oid("1.3.6.1.6.3.10.2.1.3.0"): 60,  # snmpEngineTime, RFC 3411
}


def test_all_that_a_box_may_show() -> None:
    assert box_counts_of(WHOLE, 2) == BoxCounts(
        uptime_s=3600.0, counts=(1_000, 2_000, 7, 8, 4, 5), last_change=12_345, full_duplex=False, up=True
    )


def test_the_boxs_own_uptime_comes_before_its_snmp_agents() -> None:
    without = {k: v for k, v in WHOLE.items() if k != oid("1.3.6.1.2.1.25.1.1.0")}
    found = box_counts_of(without, 2)
    assert (found.uptime_s, found.uptime_wraps) == (60.0, False)
    found = box_counts_of({oid("1.3.6.1.2.1.1.3.0"): 6_000}, 2)
    assert (found.uptime_s, found.uptime_wraps) == (60.0, True)


def test_what_is_not_shown_is_not_known() -> None:
    assert box_counts_of({}, 2) == BoxCounts(uptime_wraps=False)
    assert box_counts_of({k: v for k, v in WHOLE.items() if k[:9] == oid(IF)[:9]}, 3).counts == (None,) * 6


@given(st.dictionaries(st.sampled_from([(*w, i) for w in BOX_WALKS for i in (0, 2)]), st.integers()))
def test_values_out_of_their_range_are_not_known(values: dict[tuple[int, ...], int]) -> None:
    found = box_counts_of(values, 2)
    assert all(c is None or 0 <= c < 2**32 for c in found.counts)
    assert found.uptime_s is None or 0 <= found.uptime_s < 2**32
