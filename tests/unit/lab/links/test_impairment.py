"""One direction of a link decides fates as its settings say; random parts stay within bounds of theory."""

import math
import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from whichhop.lab.links.impairment import ImpairmentSettings, Lane, combine, rate_of
from whichhop.lab.scenario import Effect, FaultWay, LinkNature

MS = 1_000_000


def lane(seed: int = 7, **settings: object) -> Lane:
    made = Lane(random.Random(seed))
    made.change(ImpairmentSettings(**settings))  # type: ignore[arg-type]
    return made


def test_a_constant_delay_is_kept_to_the_nanosecond() -> None:
    one = lane(delay_ns=10 * MS)
    assert [one.fate(t, 100) for t in (0, 5, 7 * MS)] == [10 * MS, 10 * MS + 5, 17 * MS]


def test_an_outage_loses_all_and_says_so() -> None:
    one = lane(outage=True)
    assert [one.fate(t, 100) for t in range(5)] == [None] * 5
    assert (one.counts.taken, one.counts.lost_outage, one.counts.passed) == (5, 5, 0)


def test_independent_loss_is_within_four_sigma_of_what_was_asked() -> None:
    # Binomial: 4 sqrt(p(1-p)/n); check value 3.x of the two-state rows with p+r = 1 is the same chain.
    n, p = 100_000, 0.02
    one = lane(loss_ratio=p)
    lost = sum(one.fate(t, 100) is None for t in range(n))
    assert lost / n == pytest.approx(p, abs=4 * math.sqrt(p * (1 - p) / n))
    assert one.counts.lost == lost


@pytest.mark.parametrize(
    ("p", "r", "loss", "burst", "se"),
    [
        # Gilbert's two-state chain, n = 10,000: loss p/(p+r), mean burst 1/r, standard error of the ratio
        # with the chain's correlation (textbook, from memory).
        (0.02, 0.25, 0.074074, 4.0, 0.006629),
        (0.01, 0.5, 0.019608, 2.0, 0.002370),
        (0.005, 0.2, 0.024390, 5.0, 0.004564),
    ],
)
def test_burst_loss_is_the_two_state_chain(p: float, r: float, loss: float, burst: float, se: float) -> None:
    n = 10_000
    one = lane(bursts=((p, r),))
    lost = [one.fate(t, 100) is None for t in range(n)]
    assert sum(lost) / n == pytest.approx(loss, abs=4 * se)
    runs = sum(b and not a for a, b in pairwise([False, *lost]))
    # A geometric run has standard deviation sqrt(1-r)/r.
    assert sum(lost) / runs == pytest.approx(burst, abs=4 * math.sqrt(1 - r) / r / math.sqrt(runs))


def test_exponential_jitter_has_the_mean_asked_when_packets_are_far_apart() -> None:
    n = 20_000
    one = lane(jitter_ns=5 * MS)
    extra = []
    for i in range(n):
        at = one.fate(i * 10_000 * MS, 100)
        assert at is not None
        extra.append(at - i * 10_000 * MS)
    # An exponential's standard deviation is its mean.
    assert sum(extra) / n == pytest.approx(5 * MS, rel=4 / math.sqrt(n))


@given(st.lists(st.integers(0, 3 * MS), min_size=2, max_size=60), st.integers(0, 2**32))
def test_jitter_and_contention_never_reorder(gaps: list[int], seed: int) -> None:
    one = lane(seed, delay_ns=MS, jitter_ns=5 * MS, contention_ratio=0.5)
    now, out = 0, []
    for gap in gaps:
        now += gap
        out.append(one.fate(now, 100))
    assert out == sorted(at for at in out if at is not None)


def test_contention_delays_some_packets_a_little_and_few_of_them_a_lot() -> None:
    one = lane(contention_ratio=0.3)
    extra = [(one.fate(i * 10_000 * MS, 100) or 0) - i * 10_000 * MS for i in range(20_000)]
    busy = [e for e in extra if e > 0]
    assert len(busy) / len(extra) == pytest.approx(0.3, abs=4 * math.sqrt(0.3 * 0.7 / 20_000))
    # One in ten of them meets a burst of 20-80 ms; e^-5 of the single waits of mean 4 ms are as long.
    share = 0.1 + 0.9 * math.exp(-5)
    long = sum(e >= 20 * MS for e in busy) / len(busy)
    assert long == pytest.approx(share, abs=4 * math.sqrt(share * (1 - share) / len(busy)))


def test_the_relays_own_queue_serialises_at_its_rate_and_drops_past_its_depth() -> None:
    # 1,250 bytes at 10 Mbit/s take 1 ms; 10 ms of queue hold ten packets beside the one being sent.
    one = lane(rate_bps=10_000_000, queue_ns=10 * MS)
    out = [one.fate(0, 1250) for _ in range(20)]
    assert out == [*(i * MS for i in range(1, 12)), *([None] * 9)]
    assert one.counts.lost_queue == 9


def test_changing_other_settings_keeps_a_chain_in_its_burst() -> None:
    one = lane(bursts=((1.0, 1e-9),))
    assert one.fate(0, 1) is None
    one.change(ImpairmentSettings(bursts=((1.0, 1e-9),), delay_ns=5))
    assert one.fate(1, 1) is None


_ratios = st.floats(0, 1)


@given(_ratios, _ratios, _ratios)
def test_survivals_multiply_and_delays_add(a: float, b: float, c: float) -> None:
    nature = LinkNature(delay_s=0.001, loss_ratio=a)
    both = combine(nature, [Effect(delay_s=0.002, loss_ratio=b), Effect(loss_ratio=c)], FaultWay.UP)
    assert both.delay_ns == 3 * MS
    assert 1 - both.loss_ratio == pytest.approx((1 - a) * (1 - b) * (1 - c), abs=1e-12)


def test_an_effect_of_one_way_leaves_the_other_alone() -> None:
    effect = Effect(delay_s=0.05, rate_bps=1_000_000, outage=True, way=FaultWay.UP)
    nature = LinkNature(delay_s=0.001, rate_bps=100_000_000, rate_up_bps=20_000_000)
    assert combine(nature, [effect], FaultWay.DOWN) == combine(nature, [], FaultWay.DOWN)
    assert combine(nature, [effect], FaultWay.UP).outage
    assert rate_of(nature, [effect], FaultWay.DOWN) == 100_000_000
    assert rate_of(nature, [effect], FaultWay.UP) == 1_000_000
    assert rate_of(nature, [], FaultWay.UP) == 20_000_000


def test_settings_survive_the_control_channel() -> None:
    s = ImpairmentSettings(
        delay_ns=3, bursts=((0.1, 0.2), (0.3, 0.4)), rate_bps=5, outage=True, scan_ns=(30, 4)
    )
    data = {k: [list(c) for c in v] if k == "bursts" else v for k, v in s.as_json().items()}  # type: ignore[attr-defined]
    assert ImpairmentSettings.from_json(data) == s


@given(st.integers(0, 2**32), _ratios, _ratios, _ratios)
def test_every_packet_taken_is_passed_or_dropped_for_one_reason(
    seed: int, loss: float, p: float, r: float
) -> None:
    one = lane(seed, loss_ratio=loss, bursts=((p, r),), rate_bps=1_000_000, queue_ns=MS)
    fates = [one.fate(i * 1000, 200) for i in range(200)]
    c = one.counts
    assert c.taken == 200
    assert c.passed == sum(f is not None for f in fates)
    assert c.taken == c.passed + c.lost + c.lost_burst + c.lost_outage + c.lost_queue


def test_only_a_nodes_own_echo_replies_linger() -> None:
    # Frames built by scapy, an independent reading of RFC 792 and RFC 4443.
    from scapy.layers.inet import ICMP, IP, UDP
    from scapy.layers.inet6 import ICMPv6EchoReply, ICMPv6EchoRequest, IPv6
    from scapy.layers.l2 import ARP, Ether

    mac = {"src": "02:00:00:00:00:01", "dst": "02:00:00:00:00:02"}
    own4, own6 = "192.0.2.1", "2001:db8::1"
    one = lane(own_delay_ns=5, own_sources=("c0000201", "20010db8000000000000000000000001"))
    own = [
        Ether(**mac) / IP(src=own4, dst="192.0.2.2") / ICMP(type=0),
        Ether(**mac) / IPv6(src=own6, dst="2001:db8::2") / ICMPv6EchoReply(),
    ]
    other = [
        Ether(**mac) / IP(src="192.0.2.9", dst="192.0.2.2") / ICMP(type=0),
        Ether(**mac) / IP(src=own4, dst="192.0.2.2") / ICMP(type=8),
        Ether(**mac) / IP(src=own4, dst="192.0.2.2") / UDP(),
        Ether(**mac) / IPv6(src=own6, dst="2001:db8::2") / ICMPv6EchoRequest(),
        Ether(**mac) / ARP(psrc=own4),
        Ether(**mac),
    ]
    assert [one.lingers_ns(bytes(f)) for f in own] == [5, 5]
    assert [one.lingers_ns(bytes(f)) for f in other] == [0] * len(other)


def test_a_scanning_radio_holds_packets_up_only_while_it_is_on_another_channel() -> None:
    # 100 ms away, 60 ms back (common practice), for 1 s in every 10 s.
    one = lane(scan_ns=(10_000 * MS, 1_000 * MS))
    waits = {t: (one.fate(t * MS, 100) or 0) // MS - t for t in (0, 30, 130, 170, 1_100, 9_999, 10_040)}
    assert waits == {0: 100, 30: 70, 130: 0, 170: 90, 1_100: 0, 9_999: 0, 10_040: 60}


def test_a_dozing_end_gets_a_packet_after_a_pause_with_the_next_beacon() -> None:
    # IEEE 802.11: beacons 102.4 ms apart, a station that dozes is handed its frames after them.
    down, up = lane(doze_ns=102_400_000), lane()
    down.back, up.back = up, down
    assert down.fate(1_000 * MS, 100) == 10 * 102_400_000
    assert down.fate(1_050 * MS, 100) == 1_050 * MS  # awake still
    assert up.fate(2_000 * MS, 100) == 2_000 * MS  # what it sends waits for nothing, and wakes it
    assert down.fate(2_060 * MS, 100) == 2_060 * MS
    settings = combine(LinkNature(), [Effect(doze_s=0.1)], FaultWay.UP)
    assert settings.doze_ns == 0


def test_a_broken_pair_leaves_a_hundred_megabit() -> None:
    # IEEE 802.3: 1000BASE-T needs four pairs (clause 40), 100BASE-TX two (clause 25).
    assert rate_of(LinkNature(rate_bps=10**9), [Effect(broken_pair=True)], FaultWay.UP) == 100_000_000
