"""STAMP on loopback: our sender and reflector against each other and against scapy's independent reading."""

import asyncio
import socket
import statistics
import threading
from collections.abc import Callable, Iterator
from ipaddress import ip_network

import pytest

from support.need import need
from support.probing import Kept, key, until
from whichhop.errors import SystemRefusedError
from whichhop.model import Fate, Method, Sample
from whichhop.model.units import MonoNs
from whichhop.net.clock import SystemClock
from whichhop.probes.admission import Admission
from whichhop.probes.base import SessionFacts
from whichhop.probes.kinds.stamp_reflector import StampReflector
from whichhop.probes.kinds.stamp_sender import StampProber
from whichhop.wire.flight import LINGER_NS, WAIT_NS
from whichhop.wire.ntp64 import ErrorEstimate, estimate_error

CLOCK = SystemClock()
K = key("attic", Method.STAMP)


def estimate() -> ErrorEstimate:
    return estimate_error(1_000_000, synced=True)


@pytest.fixture(params=["127.0.0.1", "::1"])
def address(request: pytest.FixtureRequest) -> str:
    if request.param == "::1":
        try:
            socket.create_server(("::1", 0), family=socket.AF_INET6).close()
        except OSError:
            need(False, "IPv6 on loopback")
    return str(request.param)


def reflector(address: str, **more: object) -> StampReflector:
    admission = more.pop("admission", None) or Admission([ip_network(address)])
    found = StampReflector(CLOCK, admission, estimate, bind=address, port=0, **more)  # type: ignore[arg-type]
    found.open(asyncio.get_running_loop())
    return found


def prober(kept: Kept, port: int, **more: object) -> StampProber:
    found = StampProber(kept, CLOCK, estimate, first_ssid=0xFFFE, port=port, **more)  # type: ignore[arg-type]
    found.open(asyncio.get_running_loop())
    return found


def test_answers_that_wait_to_be_gathered_keep_the_time_they_came(address: str) -> None:
    async def go() -> tuple[int, list[Sample], SessionFacts]:
        there, kept = reflector(address), Kept()
        here = prober(kept, there.port, prompt=False)
        for i in range(9):
            here.send(K, address)
            await until(lambda i=i: there.answered > i)  # type: ignore[misc]
        await asyncio.sleep(0.3)
        before = len(kept.rows)
        here.gather()
        here.expire(MonoNs(CLOCK.mono_ns() + WAIT_NS + 1))  # the last answer waits for its follow-up
        facts = here.facts(K)
        here.close()
        there.close()
        return before, kept.of(K), facts

    before, samples, facts = asyncio.run(go())
    assert before == 0
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 9
    assert {"T1", "T2", "T4"} <= set(facts.stamps.split())
    # read 300 ms and more after they came; 5 ms allows for a busy machine at the median
    assert 0 < statistics.median(s.rtt_ns or 0 for s in samples) < 5_000_000


async def ask(address: str, times: int, **more: object) -> tuple[list[Sample], SessionFacts, StampReflector]:
    both = {k: more[k] for k in ("key", "kernel_stamps") if k in more}
    there, kept = reflector(address, **both), Kept()
    here = prober(kept, there.port, **more)
    for i in range(times):
        here.send(K, address)
        await until(lambda i=i: there.answered > i)  # type: ignore[misc]
        await asyncio.sleep(0.002)
    here.expire(MonoNs(CLOCK.mono_ns() + WAIT_NS + 1))
    facts = here.facts(K)
    here.close()
    there.close()
    return kept.of(K), facts, there


@pytest.mark.parametrize("secret", [None, b"k" * 32])
def test_every_packet_is_answered_with_the_kernels_stamps(address: str, secret: bytes | None) -> None:
    samples, facts, there = asyncio.run(ask(address, 20, key=secret))
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 20
    assert there.dropped() == {}
    # T3 of the last answer was never followed up, so it is not the kernel's for all of the time
    assert facts.stamps == "T1 T2 T4"
    assert facts.clock_error_ns is not None
    assert 1_000_000 <= facts.clock_error_ns < 1_010_000
    # within one machine: microseconds; 5 ms allows for a busy one at the median
    assert 0 < statistics.median(s.rtt_ns or 0 for s in samples) < 5_000_000


def test_the_reflectors_kernel_stamp_comes_back_for_all_but_the_last() -> None:
    async def run() -> tuple[Kept, SessionFacts]:
        there, kept = reflector("127.0.0.1"), Kept()
        here = prober(kept, there.port)
        for i in range(6):
            here.send(K, "127.0.0.1")
            await until(lambda i=i: there.answered > i)  # type: ignore[misc]
            await asyncio.sleep(0.005)
        facts = here.facts(K)
        here.close()
        there.close()
        return kept, facts

    kept, facts = asyncio.run(run())
    assert len(kept.rows) == 5
    assert facts.stamps == "T1 T2 T3 T4"


def test_forward_and_backward_parts_add_up_to_the_round_trip(address: str) -> None:
    samples, _facts, _there = asyncio.run(ask(address, 10))
    # one machine, one clock: both directions are true delays, so neither may be below zero
    for sample in samples[:-1]:
        assert sample.out_ns is not None
        assert sample.rtt_ns is not None
        assert 0 <= sample.out_ns <= sample.rtt_ns


def test_without_kernel_stamps_user_space_serves_and_the_facts_say_so(address: str) -> None:
    samples, facts, _there = asyncio.run(ask(address, 5, kernel_stamps=False))
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 5
    assert facts.stamps == ""


def test_sessions_share_one_socket_and_are_told_apart() -> None:
    async def run() -> Kept:
        there, kept = reflector("127.0.0.1"), Kept()
        here = prober(kept, there.port, follow_up=False)
        keys = [key(f"node-{i}", Method.STAMP) for i in range(5)]  # identifiers wrap from 65535 to 1
        for _ in range(4):
            for k in keys:
                here.send(k, "127.0.0.1")
        await until(lambda: len(kept.rows) == 20)
        here.close()
        there.close()
        return kept

    kept = asyncio.run(run())
    assert {k.target: len(kept.of(k)) for k, _ in kept.rows} == {f"node-{i}": 4 for i in range(5)}


def test_with_nobody_answering_every_packet_is_lost_and_none_forgotten() -> None:
    async def run() -> Kept:
        kept = Kept()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as silent:
            silent.bind(("127.0.0.1", 0))
            here = prober(kept, silent.getsockname()[1])
            for _ in range(7):
                here.send(K, "127.0.0.1")
            here.expire(CLOCK.mono_ns())
            assert kept.rows == []
            here.expire(MonoNs(CLOCK.mono_ns() + WAIT_NS + LINGER_NS + 1))
            here.close()
        return kept

    assert [s.fate for s in asyncio.run(run()).of(K)] == [Fate.LOST] * 7


def test_an_answer_that_waits_in_the_socket_is_not_lost_because_we_are_late() -> None:
    async def run() -> Kept:
        there, kept = reflector("127.0.0.1"), Kept()
        here = prober(kept, there.port, follow_up=False)
        here.send(K, "127.0.0.1")
        time_to = CLOCK.mono_ns() + 2_000_000_000
        while there.answered == 0 and CLOCK.mono_ns() < time_to:
            there._ready()  # without letting the loop run
        here.expire(MonoNs(CLOCK.mono_ns() + WAIT_NS + LINGER_NS + 1))
        here.close()
        there.close()
        return kept

    assert [s.fate for s in asyncio.run(run()).of(K)] == [Fate.ANSWERED]


def test_strangers_floods_and_rubbish_are_dropped_and_counted_by_reason() -> None:
    async def run() -> tuple[dict[str, int], int]:
        closed = reflector("127.0.0.1", admission=Admission([ip_network("192.0.2.0/24")]))
        narrow = reflector(
            "127.0.0.1", admission=Admission([ip_network("127.0.0.0/8")], rate_per_s=0.001, burst=3)
        )
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as rough:
            rough.setblocking(False)
            for port in (closed.port, narrow.port):
                for _ in range(5):
                    rough.sendto(bytes(12) + b"\x80\x01" + bytes(30), ("127.0.0.1", port))
            rough2 = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
            rough2.bind(("127.0.0.5", 0))
            rough2.sendto(b"short", ("127.0.0.1", narrow.port))
            rough2.close()
            await until(lambda: sum(closed.dropped().values()) == 5 and sum(narrow.dropped().values()) == 3)
        counted = {**{f"closed {k}": n for k, n in closed.dropped().items()}, **narrow.dropped()}
        answered = narrow.answered
        closed.close()
        narrow.close()
        return counted, answered

    counted, answered = asyncio.run(run())
    assert counted == {"closed not-allowed": 5, "rate-limited": 2, "truncated": 1}
    assert answered == 3


def test_a_taken_port_is_refused_in_one_line() -> None:
    async def run() -> str:
        there = reflector("127.0.0.1")
        second = StampReflector(CLOCK, Admission([]), estimate, bind="127.0.0.1", port=there.port)
        with pytest.raises(SystemRefusedError) as caught:
            second.open(asyncio.get_running_loop())
        there.close()
        return str(caught.value)

    said = asyncio.run(run())
    assert "taken by another program" in said
    assert "\n" not in said


def scapy_stamp() -> object:
    return pytest.importorskip("scapy.contrib.stamp")


def ntp(at_ns: int) -> int:
    # RFC 5905 figure 4: 2208988800 s from 1900 to 1970
    return ((at_ns + 2_208_988_800 * 10**9) << 32) // 10**9


@pytest.fixture
def foreign() -> Iterator[Callable[..., int]]:
    """A reflector built with scapy in a thread, RFC 8972 figure 3; gives its port."""
    stamp = scapy_stamp()
    stop, threads = threading.Event(), []

    def serve(sock: socket.socket, copies: int, hold_s: float, ssid: bool) -> None:
        count = 0
        while not stop.is_set():
            try:
                data, source = sock.recvfrom(2048)
            except TimeoutError:
                continue
            t2 = CLOCK.utc_ns()
            ask = stamp.STAMPSessionSenderTestUnauthenticated(data)  # type: ignore[attr-defined]
            stop.wait(hold_s)
            answer = stamp.STAMPSessionReflectorTestUnauthenticated(  # type: ignore[attr-defined]
                seq=count,
                ssid=ask.ssid if ssid else 0,
                seq_sender=ask.seq,
                err_estimate_sender=ask.err_estimate,
                ttl_sender=64,
            )
            raw = bytearray(bytes(answer)[:44])
            raw[16:24] = ntp(t2).to_bytes(8)
            raw[28:36] = data[4:12]
            raw[4:12] = ntp(CLOCK.utc_ns()).to_bytes(8)
            for _ in range(copies):
                sock.sendto(raw, source)
            count += 1

    def start(copies: int = 1, hold_s: float = 0.0, ssid: bool = True) -> int:
        sock = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        sock.bind(("127.0.0.1", 0))
        sock.settimeout(0.1)
        thread = threading.Thread(target=serve, args=(sock, copies, hold_s, ssid))
        thread.start()
        threads.append((thread, sock))
        return int(sock.getsockname()[1])

    yield start
    stop.set()
    for thread, sock in threads:
        thread.join()
        sock.close()


async def ask_foreign(port: int, times: int, rows: int) -> tuple[list[Sample], SessionFacts]:
    kept = Kept()
    here = prober(kept, port)
    for i in range(times):
        here.send(K, "127.0.0.1")
        await until(lambda i=i: len(kept.rows) > i)  # type: ignore[misc]
    await asyncio.sleep(0.05)
    facts = here.facts(K)
    here.close()
    assert len(kept.rows) == rows
    return kept.of(K), facts


@pytest.mark.slow
def test_a_scapy_reflectors_answers_are_read_and_its_holding_time_is_taken_out(
    foreign: Callable[..., int],
) -> None:
    samples, facts = asyncio.run(ask_foreign(foreign(hold_s=0.05), 5, 5))
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 5
    assert facts.stamps == "T1 T4"
    assert all((s.rtt_ns or 0) < 45_000_000 for s in samples)


def test_a_reflector_that_sends_no_identifier_back_is_understood(foreign: Callable[..., int]) -> None:
    samples, _facts = asyncio.run(ask_foreign(foreign(ssid=False), 3, 3))
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 3


def test_second_copies_are_counted_and_change_nothing(foreign: Callable[..., int]) -> None:
    samples, facts = asyncio.run(ask_foreign(foreign(copies=2), 4, 4))
    assert [s.fate for s in samples] == [Fate.ANSWERED] * 4
    assert facts.duplicates == 4


def test_scapy_reads_our_reflectors_answer_field_by_field_at_the_same_size() -> None:
    stamp = scapy_stamp()

    async def run() -> tuple[bytes, bytes, int, int]:
        there = reflector("127.0.0.1")
        ask = bytes(
            stamp.STAMPSessionSenderTestUnauthenticated(  # type: ignore[attr-defined]
                seq=7,
                ssid=0x1234,
                err_estimate=stamp.ErrorEstimate(S=1, scale=15, multiplier=131),  # type: ignore[attr-defined]
            )
        ) + bytes.fromhex("8001000c000102030405060708090a0b")
        loop = asyncio.get_running_loop()
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            sock.setblocking(False)
            before = CLOCK.utc_ns()
            await loop.sock_sendto(sock, ask, ("127.0.0.1", there.port))
            answer = await asyncio.wait_for(loop.sock_recv(sock, 2048), 5)
            after = CLOCK.utc_ns()
        there.close()
        return ask, answer, before, after

    ask, answer, before, after = asyncio.run(run())
    read = stamp.STAMPSessionReflectorTestUnauthenticated(answer)  # type: ignore[attr-defined]
    assert len(answer) == len(ask) == 60
    assert (read.seq, read.seq_sender, read.ssid, read.ttl_sender) == (0, 7, 0x1234, 64)
    assert bytes(read.err_estimate_sender) == b"\x8f\x83"
    assert answer[28:36] == ask[4:12]
    t2, t3 = int.from_bytes(answer[16:24]), int.from_bytes(answer[4:12])
    assert ntp(before) <= t2 <= t3 <= ntp(after) + 1
    # the Extra Padding extension comes back understood: flag U (0x80) cleared, RFC 8972 4.1
    assert answer[44:] == bytes.fromhex("0001000c000102030405060708090a0b")


def test_a_session_that_never_sent_has_no_facts() -> None:
    async def run() -> SessionFacts:
        here = prober(Kept(), 9)
        facts = here.facts(key("modem", Method.STAMP))
        here.close()
        return facts

    assert asyncio.run(run()) == SessionFacts()


@pytest.mark.parametrize(
    ("ours", "theirs", "known", "fate"),
    [
        (b"k" * 32, b"x" * 32, "127.0.0.1", Fate.REFUSED_KEY),
        (None, b"x" * 32, "127.0.0.1", Fate.REFUSED_KEY),
        (b"k" * 32, b"k" * 32, "127.0.0.9", Fate.REFUSED_ADDRESS),
        (None, None, "127.0.0.9", Fate.REFUSED_ADDRESS),
    ],
)
def test_what_a_reflector_refuses_is_told_and_is_no_loss(
    ours: bytes | None, theirs: bytes | None, known: str, fate: Fate
) -> None:
    # an agent with another key, and one that asks from its machine's second address
    async def run() -> tuple[list[Fate], dict[str, int]]:
        there, kept = reflector("127.0.0.1", key=theirs, admission=Admission([ip_network(known)])), Kept()
        here = prober(kept, there.port, key=ours, follow_up=False)
        for i in range(9):
            here.send(K, "127.0.0.1")
            await until(lambda i=i: there.told > i)  # type: ignore[misc]
        await until(lambda: len(kept.rows) == 9)
        here.close()
        there.close()
        return [s.fate for s in kept.of(K)], there.dropped()

    fates, dropped = asyncio.run(run())
    assert fates == [fate] * 9
    assert sum(dropped.values()) == 9


def test_a_stranger_with_another_key_from_an_unknown_address_is_told_nothing() -> None:
    async def run() -> tuple[int, dict[str, int]]:
        there = reflector("127.0.0.1", key=b"x" * 32, admission=Admission([ip_network("127.0.0.9")]))
        here = prober(Kept(), there.port, key=b"k" * 32)
        here.send(K, "127.0.0.1")
        await until(lambda: sum(there.dropped().values()) == 1)
        here.close()
        there.close()
        return there.told, there.dropped()

    assert asyncio.run(run()) == (0, {"not-allowed": 1})
