"""The controller of a connection is chosen before it begins (man tcp, 7: TCP_CONGESTION)."""

import socket
from pathlib import Path

import pytest

from whichhop.net import tcp
from whichhop.net.listen import listening_socket

KNOWN = Path("/proc/sys/net/ipv4/tcp_available_congestion_control")
pytestmark = pytest.mark.skipif(
    not KNOWN.exists() or "cubic" not in KNOWN.read_text().split(), reason="this system has no cubic"
)


def controller(sock: socket.socket) -> str:
    return sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, 16).rstrip(b"\0").decode()


def other_than_cubic(sock: socket.socket) -> None:
    """reno is in every kernel and open to everybody, whatever the system's default."""
    sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_CONGESTION, b"reno")


def test_a_connection_has_cubic_before_its_first_segment(monkeypatch: pytest.MonkeyPatch) -> None:
    at_connect: list[str] = []

    class Seen(socket.socket):
        def __init__(self, *words: int) -> None:
            super().__init__(*words)
            if self.type == socket.SOCK_STREAM:
                other_than_cubic(self)

        def connect(self, address: object) -> None:
            at_connect.append(controller(self))
            super().connect(address)  # type: ignore[arg-type]

    with listening_socket("127.0.0.1", 0, setting="the test's port") as listener:
        monkeypatch.setattr(tcp.socket, "socket", Seen)
        with tcp.connect("127.0.0.1", listener.getsockname()[1], seconds=5):
            assert at_connect == ["cubic"]


def test_a_listener_hands_its_controller_to_what_it_accepts() -> None:
    with listening_socket("::1", 0, setting="the test's port") as listener:
        other_than_cubic(listener)
        tcp.prefer_cubic(listener)
        listener.settimeout(5)
        with (
            tcp.connect("::1", listener.getsockname()[1], seconds=5),
            listener.accept()[0] as accepted,
        ):
            assert controller(accepted) == "cubic"
