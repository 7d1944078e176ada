"""DSCP kept, wiped or changed by a real router's packet rules, told by our own reflector behind it."""

import asyncio
import socket
import threading

import pytest

from support.namespaces import V4, V6, Path4, estimate, stamp_reflector
from whichhop.net.clock import SystemClock
from whichhop.probes.path_checks import DscpCheck, check_dscp
from whichhop.wire.dscp import DscpFate

pytestmark = [pytest.mark.lab, pytest.mark.slow, pytest.mark.waits]
CLOCK = SystemClock()


def check(path: Path4, target: str, port: int, **more: int) -> DscpCheck:
    return path.inside(
        "host",
        lambda: asyncio.run(check_dscp(target, CLOCK, estimate, ssid=77, port=port, wait_s=0.3, **more)),
    )


@pytest.mark.parametrize("plan", [V4, V6], ids=["IPv4", "IPv6"])
def test_a_path_that_leaves_marks_alone_keeps_them(path: Path4, plan: dict[str, str]) -> None:
    with stamp_reflector(path, plan["far"]) as port:
        for dscp in (46, 8, 1):  # EF, CS1, LE
            assert check(path, plan["far"], port, dscp=dscp) == DscpCheck(
                sent=dscp, seen=dscp, fate=DscpFate.KEPT
            )


@pytest.mark.parametrize("plan", [V4, V6], ids=["IPv4", "IPv6"])
def test_a_router_that_wipes_marks_is_found_out(path: Path4, plan: dict[str, str]) -> None:
    path.rules("edge", "forward", "ip dscp set cs0", "ip6 dscp set cs0")
    with stamp_reflector(path, plan["far"]) as port:
        assert check(path, plan["far"], port) == DscpCheck(sent=46, seen=0, fate=DscpFate.BLEACHED)


def test_a_router_that_changes_marks_is_found_out(path: Path4) -> None:
    path.rules("edge", "forward", "ip dscp ef ip dscp set af41")
    with stamp_reflector(path, V4["far"]) as port:
        assert check(path, V4["far"], port) == DscpCheck(sent=46, seen=34, fate=DscpFate.REMARKED)


def test_a_reflector_that_copies_the_question_unread_leaves_it_unknown(path: Path4) -> None:
    # a reflector of RFC 8762 alone: fields moved to their places, the extension copied with its flag U
    def serve() -> None:
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as sock:
            sock.bind((V4["far"], 8862))
            sock.settimeout(5)
            ready.set()
            data, source = sock.recvfrom(2048)
            answer = (
                data[:14] + b"\0\0" + data[4:12] + data[:4] + data[4:12] + data[12:14] + b"\0\0\x40\0\0\0"
            )
            sock.sendto(answer + data[44:], source)

    ready = threading.Event()
    thread = threading.Thread(target=lambda: path.inside("far", serve))
    thread.start()
    assert ready.wait(20)
    assert check(path, V4["far"], 8862, tries=1) == DscpCheck(sent=46, seen=None, fate=DscpFate.UNKNOWN)
    thread.join()


def test_nobody_at_the_far_end_leaves_it_unknown(path: Path4) -> None:
    assert check(path, V4["far"], 8863) == DscpCheck(sent=46, seen=None, fate=DscpFate.UNKNOWN)
