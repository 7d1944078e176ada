"""Connections become a device's rates: by the end that is in the home, in both directions."""

from ipaddress import ip_network

from hypothesis import given
from hypothesis import strategies as st

from whichhop.probes.device_child import DeviceTally, Flow

S = 1_000_000_000
LAN = (ip_network("192.0.2.0/24"), ip_network("2001:db8:1::/64"))
ROUTER = frozenset({"192.0.2.1", "198.51.100.2"})


def flow(number: int, source: str, answers: str, there: int, back: int) -> Flow:
    return Flow(number=number, source=source, answers=answers, there=there, back=back)


def tally() -> DeviceTally:
    return DeviceTally(lan=LAN, own=ROUTER)


def test_a_device_that_began_a_connection_sends_there_and_receives_back() -> None:
    one = tally()
    assert one.look([flow(1, "192.0.2.40", "203.0.113.7", 1_000, 100)], 0) is None
    # 5 MB up and 250 kB down in ten seconds are 4 Mbit/s and 0.2 Mbit/s.
    found = one.look([flow(1, "192.0.2.40", "203.0.113.7", 5_001_000, 250_100)], 10 * S)
    assert found == {"192.0.2.40": (200_000.0, 4_000_000.0)}


def test_one_that_answers_through_an_opened_port_receives_there_and_sends_back() -> None:
    one = tally()
    one.look([], 0)
    found = one.look([flow(1, "203.0.113.7", "192.0.2.40", 100, 5_000_000)], 10 * S)
    assert found == {"192.0.2.40": (80.0, 4_000_000.0)}


def test_what_stays_in_the_home_and_what_only_passes_is_nobodys() -> None:
    one = tally()
    one.look([], 0)
    inside = flow(1, "192.0.2.40", "192.0.2.1", 10**9, 10**9)
    passing = flow(2, "203.0.113.7", "203.0.113.9", 10**9, 10**9)
    assert one.look([inside, passing], 10 * S) == {}


def test_the_routers_own_traffic_is_the_routers_and_ipv6_is_told_by_its_network() -> None:
    one = tally()
    one.look([], 0)
    own = flow(1, "198.51.100.2", "203.0.113.7", 1_000, 0)
    six = flow(2, "2001:db8:1::40", "2001:db8:9::1", 2_000, 0)
    assert one.look([own, six], 8 * S) == {"198.51.100.2": (0.0, 1_000.0), "2001:db8:1::40": (0.0, 2_000.0)}


def test_a_number_that_is_used_again_begins_at_nothing() -> None:
    one = tally()
    one.look([flow(1, "192.0.2.40", "203.0.113.7", 10**9, 10**9)], 0)
    found = one.look([flow(1, "192.0.2.40", "203.0.113.7", 1_000, 0)], 8 * S)
    assert found == {"192.0.2.40": (0.0, 1_000.0)}


_octets = st.lists(st.integers(0, 10**12), min_size=1, max_size=8).map(sorted)


@given(_octets, _octets)
def test_rates_add_up_to_what_the_kernel_counted(there: list[int], back: list[int]) -> None:
    one, sums = tally(), [0.0, 0.0]
    looks = min(len(there), len(back))
    for n in range(looks):
        found = one.look([flow(1, "192.0.2.40", "203.0.113.7", there[n], back[n])], n * 8 * S)
        for way in (0, 1):
            sums[way] += (found or {}).get("192.0.2.40", (0.0, 0.0))[way]
    assert abs(sums[0] - (back[looks - 1] - back[0])) <= 1e-6 * max(1, back[looks - 1])
    assert abs(sums[1] - (there[looks - 1] - there[0])) <= 1e-6 * max(1, there[looks - 1])
