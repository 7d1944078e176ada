"""A capture of our STAMP packets as tshark reads it, by its dissector of TWAMP-Test, whose layout it is."""

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest
from scapy.layers.inet import IP, UDP
from scapy.layers.inet6 import IPv6
from scapy.layers.l2 import Ether
from scapy.utils import wrpcap

from support import stamp_vectors as v
from support.need import need_program
from whichhop.model.units import MonoNs
from whichhop.wire.ntp64 import ErrorEstimate
from whichhop.wire.quoted import Refusal
from whichhop.wire.stamp_reflector import Reflector
from whichhop.wire.stamp_sender import StampSender

pytestmark = pytest.mark.waits

MS = 1_000_000
PORT = 862
ESTIMATE = ErrorEstimate.from_field(v.ESTIMATE)


def dissect(packets: list[Ether], folder: Path) -> list[dict[str, Any]]:
    capture = folder / "stamp.pcap"
    wrpcap(str(capture), packets)
    command = [need_program("tshark"), "-r", str(capture), "-d", f"udp.port=={PORT},twamp.test", "-T", "json"]
    said = subprocess.run(command, capture_output=True, check=True, timeout=60).stdout
    return [frame["_source"]["layers"]["twamp.test"] for frame in json.loads(said)]


@pytest.mark.slow
@pytest.mark.parametrize(
    "ip",
    [
        (IP(src="192.0.2.20", dst="198.51.100.7"), IP(src="198.51.100.7", dst="192.0.2.20")),
        (IPv6(src="2001:db8::20", dst="2001:db8:1::7"), IPv6(src="2001:db8:1::7", dst="2001:db8::20")),
    ],
    ids=["v4", "v6"],
)
def test_numbers_stamps_and_errors_are_read_as_we_meant_them(ip: tuple[Any, Any], tmp_path: Path) -> None:
    sender = StampSender(ssid=v.SSID, estimate=ESTIMATE, extended=False)
    reflector = Reflector(estimate=ESTIMATE)
    ether = (
        Ether(src="02:00:00:00:00:01", dst="02:00:00:00:00:02"),
        Ether(src="02:00:00:00:00:02", dst="02:00:00:00:00:01"),
    )
    packets = []
    for n in range(3):
        at = n * 250 * MS
        ask = sender.ask(v.NOON_NS + at, MonoNs(at))
        packets.append(ether[0] / ip[0] / UDP(sport=40000, dport=PORT) / ask)
        if n == 1:
            continue  # lost on the way out: the reflector's numbers fall one behind
        answer = reflector.reflect(
            ask, ("192.0.2.20", 40000), v.NOON_NS + at + 10 * MS, v.NOON_NS + at + 11 * MS, ttl=61
        )
        assert not isinstance(answer, Refusal)
        packets.append(ether[1] / ip[1] / UDP(sport=PORT, dport=40000) / bytes(answer))
    read = dissect(packets, tmp_path)

    assert [p["twamp.test.seq_number"] for p in read] == ["0", "0", "1", "2", "1"]
    assert [read[i]["twamp.test.sender_seq_number"] for i in (1, 4)] == ["0", "2"]
    assert [read[i]["twamp.test.timestamp"] for i in (0, 2, 3)] == [
        "Jan  1, 2024 00:00:00.500000000 UTC",
        "Jan  1, 2024 00:00:00.750000000 UTC",
        "Jan  1, 2024 00:00:01.000000000 UTC",
    ]
    # a field is cut to 2^-32 s and tshark cuts again when it prints: a nanosecond short
    assert read[1]["twamp.test.receive_timestamp"] == "Jan  1, 2024 00:00:00.509999999 UTC"
    assert read[1]["twamp.test.timestamp"] == "Jan  1, 2024 00:00:00.510999999 UTC"
    assert read[4]["twamp.test.sender_timestamp"] == "Jan  1, 2024 00:00:01.000000000 UTC"
    assert read[4]["twamp.test.sender_ttl"] == "61"
    assert {p["twamp.test.mbz1"] for p in read} == {str(v.SSID)}  # SSID stands where TWAMP has zeros
    for packet in read:
        assert packet["twamp.test.error_estimate_tree"] == {
            "twamp.test.error_estimate.s": "1",
            "twamp.test.error_estimate.z": "0",
            "twamp.test.error_estimate.scale": "15",
            "twamp.test.error_estimate.multiplier": "131",
        }
