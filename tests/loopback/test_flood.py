"""A flooded reflector answers by the batch, and what it sends is what it would have sent one by one."""

import asyncio
import contextlib
import socket
from collections import Counter
from collections.abc import Callable, Iterator
from ipaddress import ip_network

import pytest

from support.need import need
from whichhop.net.batch import SLOTS, Batch, address_of
from whichhop.net.clock import SystemClock
from whichhop.net.udp import open_udp
from whichhop.probes.admission import TELL_RATE_PER_S, Admission
from whichhop.probes.kinds.stamp_reflector import StampReflector
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error, ntp_from_utc, utc_from_field
from whichhop.wire.stamp import Ask, StampAnswer, pack_ask, unpack_answer
from whichhop.wire.stamp_refusal import read_refusal

CLOCK = SystemClock()


def estimate() -> ErrorEstimate:
    return estimate_error(1000, synced=True)


@pytest.fixture(params=["127.0.0.1", "::1"])
def address(request: pytest.FixtureRequest) -> str:
    if request.param == "::1":
        try:
            socket.create_server(("::1", 0), family=socket.AF_INET6).close()
        except OSError:
            need(False, "IPv6 on loopback")
    return str(request.param)


def socket_at(address: str) -> socket.socket:
    made = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_DGRAM)
    made.bind((address, 0))
    made.setblocking(False)
    return made


def ask(seq: int, ssid: int = 7, rest: bytes = b"") -> bytes:
    return pack_ask(
        Ask(seq=seq, t1=1 << 40, estimate=estimate_error(1000, synced=True), ssid=ssid, rest=rest)
    )


def told(to: socket.socket) -> int:
    """How many refusals came; anything else fails."""
    found = 0
    while True:
        try:
            data = to.recv(4096)
        except BlockingIOError:
            return found
        assert read_refusal(data, None) is not None
        found += 1


def answers(from_socket: socket.socket) -> list[StampAnswer]:
    out = []
    while True:
        try:
            read = unpack_answer(from_socket.recv(4096))
        except BlockingIOError:
            return out
        assert isinstance(read, StampAnswer)
        out.append(read)


Make = Callable[[str, Admission], StampReflector]


@pytest.fixture
def reflector() -> Iterator[Make]:
    """Makes reflectors whose loop never runs: the test says when they look."""
    loop, made = asyncio.new_event_loop(), []

    def make(address: str, admission: Admission) -> StampReflector:
        there = StampReflector(CLOCK, admission, estimate, bind=address, port=0)
        there.open(loop)
        made.append(there)
        return there

    yield make
    for there in made:
        there.close()
    loop.close()


def drained(there: StampReflector, turns: int = 100) -> None:
    for _ in range(turns):
        there._ready()


def test_every_packet_of_a_flood_is_answered_once_in_order_with_true_stamps(
    address: str, reflector: Make
) -> None:
    there = reflector(address, Admission([ip_network(address)], rate_per_s=1e6, burst=1e6))
    with socket_at(address) as here:
        for round_ in range(3):
            before = CLOCK.utc_ns()
            for i in range(150):
                here.sendto(ask(150 * round_ + i), (address, there.port))
            drained(there)
            after = CLOCK.utc_ns()
            got = answers(here)
            assert [a.sender_seq for a in got] == [150 * round_ + i for i in range(150)]
            assert [a.seq for a in got] == [150 * round_ + i for i in range(150)]
            for a in got:
                t2 = utc_from_field(a.t2, ptp=False, near_ns=before)
                t3 = utc_from_field(a.t3, ptp=False, near_ns=before)
                assert t2 is not None
                assert t3 is not None
                # T3 of one answered alone foretells the way into the kernel: at most a little after `after`
                assert before <= t2 <= t3 <= after + 1_000_000
            assert {a.sender_ttl for a in got} == {64}
            assert {a.ssid for a in got} == {7}
    assert there.answered == 450
    assert there.dropped() == {}


def test_in_one_batch_the_allowed_are_answered_and_the_others_counted(reflector: Make) -> None:
    there = reflector("127.0.0.1", Admission([ip_network("127.0.0.1/32")], rate_per_s=1e-3, burst=200))
    with socket_at("127.0.0.1") as friend, socket_at("127.0.0.5") as stranger:
        for i in range(300):
            (stranger if i % 3 == 0 else friend).sendto(ask(i), ("127.0.0.1", there.port))
        for _ in range(5):
            friend.sendto(b"rubbish", ("127.0.0.1", there.port))
        drained(there)
        assert len(answers(friend)) == 200
        assert told(stranger) <= 100  # refusals, which no sender can take for an answer
    assert there.dropped() == {"not-allowed": 100, "rate-limited": 5}


@pytest.mark.parametrize("forgery", [bytes(112), b"rubbish"])
def test_a_flood_that_claims_an_agents_address_leaves_the_agent_its_share(forgery: bytes) -> None:
    """What has no tag of the home's key is of anybody: only what has one uses up its source's share."""
    loop, key = asyncio.new_event_loop(), bytes(range(32))
    gate = Admission([ip_network("127.0.0.1/32")], rate_per_s=1e-3, burst=100)
    there = StampReflector(CLOCK, gate, estimate, bind="127.0.0.1", port=0, key=key)
    there.open(loop)
    now = ntp_from_utc(CLOCK.utc_ns())
    with socket_at("127.0.0.1") as here, socket_at("127.0.0.1") as forger:
        for _ in range(10):
            for _ in range(50):
                forger.sendto(forgery, ("127.0.0.1", there.port))
            drained(there, 5)
        for seq in range(120):
            plain = Ask(seq=seq, t1=now, estimate=estimate(), ssid=7)
            here.sendto(pack_ask(plain, key), ("127.0.0.1", there.port))
        drained(there)
        got = 0
        with contextlib.suppress(BlockingIOError):
            while True:
                got += isinstance(unpack_answer(here.recv(4096), key), StampAnswer)
        # Words to who may be anybody are few, whatever the flood.
        assert there.told <= TELL_RATE_PER_S + 20
    there.close()
    loop.close()
    assert got == 100
    assert there.dropped()["rate-limited"] == 20


def test_long_and_short_packets_of_a_flood_come_back_at_their_size(reflector: Make) -> None:
    there = reflector("127.0.0.1", Admission([ip_network("127.0.0.1/32")], rate_per_s=1e6, burst=1e6))
    sizes: Counter[int] = Counter()
    with socket_at("127.0.0.1") as here:
        for i in range(120):
            here.sendto(ask(i, rest=bytes(i % 5 * 100)), ("127.0.0.1", there.port))
        drained(there)
        for _ in range(120):
            sizes[len(here.recv(4096))] += 1
    assert sizes == {44: 24, 144: 24, 244: 24, 344: 24, 444: 24}


def test_after_a_flood_answers_are_stamped_by_the_kernel_again(reflector: Make) -> None:
    there = reflector("127.0.0.1", Admission([ip_network("127.0.0.1/32")], rate_per_s=1e6, burst=1e6))
    with socket_at("127.0.0.1") as here:
        for i in range(200):
            here.sendto(ask(i), ("127.0.0.1", there.port))
        there._ready()
        assert there._flooded
        drained(there)
        assert not there._flooded
        before = len(there._lags_ns)
        there._lags_ns.clear()
        here.sendto(ask(200), ("127.0.0.1", there.port))
        there._ready()
        assert before > 0
        assert len(there._lags_ns) > 0


@pytest.mark.parametrize("segmenting", [True, False])
def test_answers_sent_as_segments_arrive_as_the_datagrams_they_are(segmenting: bool) -> None:
    udp = open_udp("127.0.0.1", 0, CLOCK, want_header=True)
    batch = Batch(udp)
    batch._segmenting = segmenting
    with socket_at("127.0.0.1") as here, socket_at("127.0.0.1") as other:
        where = udp.socket.getsockname()
        for i in range(SLOTS):
            here.sendto(bytes([i]) * 44, where)
        assert batch.exchange(lambda data, *_rest: memoryview(data)) == (SLOTS, 0)
        assert [here.recv(100) for _ in range(SLOTS)] == [bytes([i]) * 44 for i in range(SLOTS)]
        # of two askers, and of two sizes: each still gets its own, at its size
        for i in range(6):
            (here if i % 2 else other).sendto(bytes([i]) * (40 + i), where)
        assert batch.exchange(lambda data, *_rest: memoryview(data)) == (6, 0)
        assert [here.recv(100) for _ in range(3)] == [bytes([i]) * (40 + i) for i in (1, 3, 5)]
        assert [other.recv(100) for _ in range(3)] == [bytes([i]) * (40 + i) for i in (0, 2, 4)]
    assert batch._segmenting is segmenting
    udp.close()


def test_an_exchange_takes_at_most_its_slots_and_leaves_the_rest() -> None:
    udp = open_udp("127.0.0.1", 0, CLOCK, want_header=True)
    batch = Batch(udp)
    with socket_at("127.0.0.1") as here:
        for i in range(SLOTS + 3):
            here.sendto(bytes([i]) * 50, udp.socket.getsockname())
        seen: list[int] = []
        froms = set()

        def keep(data: bytes, raw: bytes, at_ns: int, ttl: int, tos: int) -> None:
            seen.append(data[0])
            froms.add(address_of(raw))
            assert (len(data), ttl, tos) == (50, 64, 0)
            assert abs(CLOCK.utc_ns() - at_ns) < 5_000_000_000

        assert batch.exchange(keep) == (SLOTS, 0)
        assert batch.exchange(keep) == (3, 0)
        assert batch.exchange(keep) == (0, 0)
        assert seen == list(range(SLOTS + 3))
        assert froms == {here.getsockname()}
    udp.close()


def test_a_socket_that_must_answer_from_the_address_asked_is_refused_batches() -> None:
    udp = open_udp("0.0.0.0", 0, CLOCK, want_local=True)
    with pytest.raises(OSError, match="recvmmsg"):
        Batch(udp)
    udp.close()
