"""RFC 3550 jitter: its two forms against each other and tshark's, its bounds, its hard inputs."""

import itertools
import random
import re
import subprocess
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from support.need import need_program
from support.published import IntegerJitter
from whichhop.stats.call import Jitter, jitter_after_each

TRANSITS = st.lists(st.integers(0, 10**6), max_size=60)


@given(TRANSITS)
def test_the_whole_number_form_stays_within_one_unit_under_the_float_form(transits: list[int]) -> None:
    exact, whole = Jitter(), IntegerJitter()
    for transit in transits:
        exact.update(transit)
        whole.update(transit)
        assert abs(exact.value - whole.state / 16) <= 1
        assert -1 <= exact.value - whole.reported <= 2


@given(TRANSITS)
def test_jitter_never_exceeds_the_largest_step(transits: list[int]) -> None:
    largest = max((abs(a - b) for a, b in itertools.pairwise(transits)), default=0)
    assert all(0 <= j <= largest for j in jitter_after_each(transits))


@given(TRANSITS, st.integers(-(10**9), 10**9))
def test_a_constant_clock_offset_cancels(transits: list[int], offset: int) -> None:
    assert jitter_after_each([t + offset for t in transits]) == jitter_after_each(transits)


def test_no_packet_and_one_packet_leave_it_unknown() -> None:
    for estimator in (Jitter(), IntegerJitter()):
        assert estimator.pairs == 0
        assert estimator.update(1000) == 0
        assert estimator.pairs == 0
    assert jitter_after_each([]) == []
    assert jitter_after_each([5]) == []


def test_a_steady_path_has_no_jitter() -> None:
    assert jitter_after_each([7.5] * 10) == [0.0] * 9


PACKET_MS = 20
TICKS_PER_MS = 8
LOST = {17, 90, 91, 92, 250}


def write_call(path: Path, seed: int, packets: int = 400) -> list[float]:
    """One direction of a G.711 call over a path with a wandering queue; gives transit times in ms.

    Sent every 20 ms; arrival is sending plus 30 ms, plus an exponential wait, and for a third of the call
    a queue of some 40 ms. Some packets never arrive.
    """
    from scapy.layers.inet import IP, UDP
    from scapy.layers.l2 import Ether
    from scapy.layers.rtp import RTP
    from scapy.utils import PcapWriter

    dice = random.Random(seed)
    arrivals, clock_ms = [], 0.0
    for n in range(packets):
        queue = 40 * dice.random() if packets // 3 < n < 2 * packets // 3 else 0
        # a queue is first in, first out: no packet arrives before its predecessor
        clock_ms = max(clock_ms + 0.001, n * PACKET_MS + 30 + dice.expovariate(1 / 2) + queue)
        if n not in LOST:
            arrivals.append((n, round(clock_ms, 3)))
    with PcapWriter(str(path), sync=True) as capture:
        for n, at_ms in arrivals:
            packet = (
                Ether(src="02:00:00:00:00:01", dst="02:00:00:00:00:02")
                / IP(src="192.0.2.20", dst="198.51.100.7")
                / UDP(sport=40000, dport=40002)
                / RTP(
                    payload_type=0, sequence=n + 1, timestamp=n * PACKET_MS * TICKS_PER_MS, sourcesync=0xA11CE
                )
                / bytes(160)
            )
            packet.time = 1_772_000_000 + at_ms / 1000
            capture.write(packet)
    return [at_ms - n * PACKET_MS for n, at_ms in arrivals]


def stream_row(capture: Path) -> list[float]:
    """The numbers of the one stream that tshark reports, from its loss column on."""
    done = subprocess.run(
        [need_program("tshark"), "-r", str(capture), "-d", "udp.port==40002,rtp", "-q", "-z", "rtp,streams"],
        capture_output=True,
        text=True,
        check=True,
    )
    (row,) = [line for line in done.stdout.splitlines() if "0x000A11CE" in line]
    after_codec = row.split("0x000A11CE", 1)[1].replace("g711U", "")
    return [float(number) for number in re.findall(r"-?\d+(?:\.\d+)?", after_codec)]


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_jitter_of_a_written_call_is_what_tshark_finds(tmp_path: Path, seed: int) -> None:
    transits = write_call(tmp_path / "call.pcap", seed)
    packets, lost, _, _, _, _, least, mean, most = stream_row(tmp_path / "call.pcap")
    found = jitter_after_each(transits)
    assert (packets, lost) == (len(transits), len(LOST))
    # tshark prints thousandths of a millisecond
    assert min(found) == pytest.approx(least, abs=0.00051)
    assert sum(found) / len(found) == pytest.approx(mean, abs=0.00051)
    assert max(found) == pytest.approx(most, abs=0.00051)
    assert most > 10, "the written queue must show"
